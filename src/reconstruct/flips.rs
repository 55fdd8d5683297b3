//! Limbs turned over: an elbow or knee that one phone alone sees has two places on that phone's line of sight, on either
//! side of the joint it hangs on.

use crate::reconstruct::problem::Problem;
use crate::skeleton::Joint;

/// The joints in the middle of a limb, each with the one its bone hangs on.
const LIMBS: [(Joint, Joint); 4] = [
    (Joint::RightElbow, Joint::RightShoulder),
    (Joint::LeftElbow, Joint::LeftShoulder),
    (Joint::RightKnee, Joint::RightHip),
    (Joint::LeftKnee, Joint::LeftHip),
];

/// A stretch seen by one phone alone counts from this length on, seconds.
const LEAST_S: f64 = 0.05;

/// Stretches closer than this are one, seconds.
const MERGE_S: f64 = 0.03;

/// The two places are the same when they are nearer than this, metres.
const SAME_M: f64 = 0.08;

/// A stretch of a limb's path that may be turned over.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Flip {
    joint: Joint,
    base: Joint,
    /// The phone that sees it.
    phone: usize,
    from_s: f64,
    to_s: f64,
}

impl Flip {
    /// Whether both turn the same joint over at some instant.
    pub(crate) fn overlaps(&self, other: &Flip) -> bool {
        self.joint == other.joint && self.from_s < other.to_s && other.from_s < self.to_s
    }
}

/// Every stretch worth trying: where one phone guesses and the other sees, whole, and each half on either side of the
/// instant at which the limb is square to the line of sight and both places meet.
pub(crate) fn candidates(problem: &Problem) -> Vec<Flip> {
    let mut all = Vec::new();
    for (joint, base) in LIMBS {
        for (phone, from_s, to_s) in one_sided(problem, joint) {
            let whole = Flip {
                joint,
                base,
                phone,
                from_s,
                to_s,
            };
            let apart: Vec<(f64, f64)> = problem
                .times_s
                .iter()
                .filter(|t| (from_s..=to_s).contains(*t))
                .filter_map(|t| Some((*t, apart_m(problem, &whole, *t)?)))
                .collect();
            let Some(widest) = apart.iter().map(|a| a.1.abs()).reduce(f64::max) else {
                continue;
            };
            if widest < SAME_M {
                continue;
            }
            all.push(whole);
            let meet = apart.iter().min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            if let Some((meet_s, _)) = meet.filter(|m| m.0 > from_s + LEAST_S && m.0 < to_s - LEAST_S) {
                all.push(Flip {
                    to_s: *meet_s,
                    ..whole
                });
                all.push(Flip {
                    from_s: *meet_s,
                    ..whole
                });
            }
        }
    }
    all
}

/// Moves the joint to its other place over the stretch.
pub(crate) fn apply(flip: &Flip, problem: &mut Problem) {
    for knot in 0..problem.grid.count {
        // A coefficient stands for the path at its peak.
        let time_s = problem.grid.origin_s + (knot as f64 - 1.0) * problem.grid.step_s;
        if !(flip.from_s..=flip.to_s).contains(&time_s) {
            continue;
        }
        if let Some((along, apart_m)) = line_of_sight(problem, flip, time_s) {
            problem.coefficients[flip.joint][knot] += along * apart_m;
        }
    }
}

/// How far the other place is along the line of sight, metres.
fn apart_m(problem: &Problem, flip: &Flip, time_s: f64) -> Option<f64> {
    line_of_sight(problem, flip, time_s).map(|(_, apart_m)| apart_m)
}

/// Direction of the line of sight, and the way along it from the joint to its other place.
fn line_of_sight(problem: &Problem, flip: &Flip, time_s: f64) -> Option<(nalgebra::Vector3<f64>, f64)> {
    let basis = problem.grid.basis(time_s)?;
    let at = |joint| problem.sum(joint, basis.first, &basis.position);
    let eye = problem.cameras[flip.phone].1.centre().0;
    let (joint, base) = (at(flip.joint), at(flip.base));
    let along = (joint - eye).try_normalize(1e-9)?;
    // Mirrored at the point of the line that is nearest to the base joint.
    Some((along, 2.0 * along.dot(&(base - joint))))
}

/// Stretches in which one phone sees a joint and the other guesses it: `(seeing phone, from, to)`, seconds.
fn one_sided(problem: &Problem, joint: Joint) -> Vec<(usize, f64, f64)> {
    let mut all = Vec::new();
    for seeing in 0..2 {
        let guessed = problem
            .observations
            .iter()
            .filter(|o| o.joint == joint && o.phone != seeing && o.guessed);
        let mut stretches: Vec<(f64, f64)> = Vec::new();
        for guess in guessed {
            let time_s = guess.own_time_s + if guess.phone == 0 { 0.0 } else { problem.offset_s };
            match stretches.last_mut() {
                Some(last) if time_s - last.1 <= MERGE_S => last.1 = time_s,
                _ => stretches.push((time_s, time_s)),
            }
        }
        all.extend(
            stretches
                .into_iter()
                .filter(|s| s.1 - s.0 >= LEAST_S)
                .map(|s| (seeing, s.0, s.1)),
        );
    }
    all
}
