//! Gauss-Newton with robust weights; the clock offset is solved along as a border of the sparse equations.

use faer::Mat;
use rayon::prelude::*;

use crate::reconstruct::flips::Flip;
use crate::reconstruct::normal::{Factor, Normal};
use crate::reconstruct::problem::Problem;
use crate::reconstruct::{Clock, PER_KNOT, ReconstructError, Reconstruction, Settings};
use crate::reconstruct::{doubt, flips, limits};
use crate::skeleton::{Joint, PerJoint};
use crate::trajectory::{JointState, Trajectory};

/// A clock known better than this is taken as given, seconds.
const CERTAIN_CLOCK_S: f64 = 1e-9;

/// Rounds after a limb was turned over.
const FLIP_ROUNDS: usize = 4;

/// Another solution is taken when its cost is lower by this: a likelihood ratio of 20, were the errors of about ten
/// neighbouring frames not alike.
const CLEARLY_BETTER: f64 = 30.0;

/// What one round of weighing the keypoints found.
struct Fit {
    /// Sizes of the keypoints' misses, standard deviations.
    sizes: Vec<f64>,
    rejected: usize,
    clock_normal: f64,
    clock_gradient: f64,
    /// Coupling of the clock with every unknown.
    border: Vec<f64>,
}

impl Fit {
    /// The usual miss over what the keypoints' doubts promise: of two normal coordinates half lie within 1.177 deviations.
    fn residual_scale(&self) -> f64 {
        let mut sizes = self.sizes.clone();
        sizes.sort_by(f64::total_cmp);
        sizes.get(sizes.len() / 2).map_or(0.0, |median| median / 1.177)
    }
}

pub(crate) fn solve(
    mut problem: Problem,
    start: &Trajectory,
    settings: &Settings,
) -> Result<Reconstruction, ReconstructError> {
    let mut normal = Normal::new(problem.grid.count, &problem.pairs());
    let cost = descend(&mut problem, &mut normal, settings, settings.rounds)?;
    if let Some(better) = turned_over(&problem, cost, settings)? {
        problem = better;
    }
    let fit = weigh(&problem, &mut normal, settings);
    // The prior was made from these same keypoints, with their colour: they cannot narrow it a second time.
    let clock_sd_s = problem.clock_prior.sd_s;
    problem.add_prior_terms(&mut normal);
    let factor = normal.factor().ok_or(ReconstructError::Unsolvable {
        round: settings.rounds,
    })?;
    let mut estimate = trajectory(&problem, start, settings);
    let deviations = doubt::draw(&problem, &factor, &fit.border, clock_sd_s, settings);
    let versions = deviations.versions(&problem, &estimate);
    let error_rate_per_s = doubt::error_rates_per_s(&estimate, &versions);
    doubt::fill_in_doubt(&mut estimate, &versions);
    Ok(Reconstruction {
        trajectory: estimate,
        versions,
        late_s: deviations.late_s(),
        error_rate_per_s,
        clock: Clock {
            offset_s: problem.offset_s,
            sd_s: clock_sd_s,
        },
        residual_scale: fit.residual_scale(),
        rejected_share: fit.rejected as f64 / fit.sizes.len().max(1) as f64,
    })
}

/// The problem with those limbs turned over that make it clearly cheaper; `None` when none does.
///
/// A limb that one phone alone sees has two places on its line of sight, and descent stays at the one it started from.
/// The best turn is made first and the others are judged anew with it: two stretches of one limb depend on each other.
/// What no shoulder reaches counts against a solution.
fn turned_over(
    problem: &Problem,
    cost: f64,
    settings: &Settings,
) -> Result<Option<Problem>, ReconstructError> {
    let mut remaining = flips::candidates(problem);
    let mut best: Option<Problem> = None;
    let mut lowest = cost + limits::cost(problem);
    while !remaining.is_empty() {
        let from = best.as_ref().unwrap_or(problem);
        let attempt = |flip: Flip| {
            let mut other = from.clone();
            flips::apply(&flip, &mut other);
            let mut normal = Normal::new(other.grid.count, &other.pairs());
            let tried = descend(&mut other, &mut normal, settings, FLIP_ROUNDS)?;
            let cost = tried + limits::cost(&other);
            Ok::<_, ReconstructError>((flip, other, cost))
        };
        let mut tried: Vec<_> = remaining
            .par_iter()
            .map(|flip| attempt(*flip))
            .collect::<Result<_, _>>()?;
        tried.retain(|t| t.2 < lowest - CLEARLY_BETTER);
        tried.sort_by(|a, b| a.2.total_cmp(&b.2));
        remaining = tried.iter().skip(1).map(|t| t.0).collect();
        let Some((flip, better, cost)) = tried.into_iter().next() else {
            break;
        };
        tracing::debug!(?flip, from = lowest, to = cost, "limb turned over");
        remaining.retain(|other| !flip.overlaps(other));
        (best, lowest) = (Some(better), cost);
    }
    Ok(best)
}

/// Rounds of Gauss-Newton from where the problem stands; the cost reached: half the weighted sum of squares, keypoints
/// by their robust loss.
fn descend(
    problem: &mut Problem,
    normal: &mut Normal,
    settings: &Settings,
    rounds: usize,
) -> Result<f64, ReconstructError> {
    for round in 0..rounds {
        let fit = weigh(problem, normal, settings);
        problem.add_prior_terms(normal);
        let factor = normal.factor().ok_or(ReconstructError::Unsolvable { round })?;
        step(problem, normal, &factor, &fit);
        problem.lengths_m = problem.measure_lengths();
    }
    let keypoints: f64 = problem
        .observations
        .iter()
        .filter_map(|seen| problem.residual(seen))
        .map(|residual| settings.loss(residual.miss.norm()))
        .sum();
    Ok(keypoints + problem.prior_cost())
}

/// One step of all unknowns and the clock.
fn step(problem: &mut Problem, normal: &Normal, factor: &Factor, fit: &Fit) {
    let rows = normal.gradient.len();
    let both = factor.solve(&Mat::from_fn(rows, 2, |i, column| {
        if column == 0 {
            normal.gradient[i]
        } else {
            fit.border[i]
        }
    }));
    let mut shift_s = 0.0;
    if problem.clock_prior.sd_s > CERTAIN_CLOCK_S {
        let prior = problem.clock_prior.sd_s.powi(-2);
        let through = |column: usize| (0..rows).map(|i| fit.border[i] * both[(i, column)]).sum::<f64>();
        let stiffness = fit.clock_normal + prior - through(1);
        let pull =
            fit.clock_gradient + prior * (problem.offset_s - problem.clock_prior.offset_s) - through(0);
        if stiffness > 0.0 {
            shift_s = -pull / stiffness;
        }
    }
    problem.offset_s += shift_s;
    for joint in Joint::ALL {
        for knot in 0..problem.grid.count {
            let at = knot * PER_KNOT + 3 * joint.index();
            for axis in 0..3 {
                let change = both[(at + axis, 0)] + both[(at + axis, 1)] * shift_s;
                problem.coefficients[joint][knot][axis] -= change;
            }
        }
    }
}

/// Clears the equations and adds every keypoint with its weight.
fn weigh(problem: &Problem, normal: &mut Normal, settings: &Settings) -> Fit {
    normal.clear();
    let mut fit = Fit {
        sizes: Vec::with_capacity(problem.observations.len()),
        rejected: 0,
        clock_normal: 0.0,
        clock_gradient: 0.0,
        border: vec![0.0; normal.gradient.len()],
    };
    for seen in &problem.observations {
        let Some(residual) = problem.residual(seen) else {
            continue;
        };
        let size = residual.miss.norm();
        let weight = settings.weight(size);
        problem.add_keypoint(normal, seen.joint, &residual, weight);
        fit.sizes.push(size);
        fit.rejected += usize::from(weight < 0.5);
        fit.clock_normal += weight * residual.by_clock.norm_squared();
        fit.clock_gradient += weight * residual.by_clock.dot(&residual.miss);
        let coupling = residual.slope.transpose() * residual.by_clock * weight;
        for (i, share) in residual.basis.position.iter().enumerate() {
            let at = (residual.basis.first + i) * PER_KNOT + 3 * seen.joint.index();
            for axis in 0..3 {
                fit.border[at + axis] += coupling[axis] * share;
            }
        }
    }
    fit
}

/// The spline at LEFT's instants of the delivery; a joint that nobody saw for long is missing.
fn trajectory(problem: &Problem, start: &Trajectory, settings: &Settings) -> Trajectory {
    let inside = |t: f64| (problem.delivery.from.0..=problem.delivery.to.0).contains(&t);
    let times: Vec<_> = start.times.iter().copied().filter(|t| inside(t.0)).collect();
    let mut seen_s: PerJoint<Vec<f64>> = PerJoint::from_fn(|_| Vec::new());
    for observation in &problem.observations {
        let shift_s = if observation.phone == 0 {
            0.0
        } else {
            problem.offset_s
        };
        seen_s[observation.joint].push(observation.own_time_s + shift_s);
    }
    seen_s
        .0
        .iter_mut()
        .for_each(|times| times.sort_by(f64::total_cmp));
    let joints = PerJoint::from_fn(|joint| {
        times
            .iter()
            .map(|time| {
                let basis = problem.grid.basis(time.0)?;
                let next = seen_s[joint].partition_point(|t| *t < time.0);
                let near = [next.checked_sub(1), Some(next)]
                    .into_iter()
                    .flatten()
                    .filter_map(|i| seen_s[joint].get(i))
                    .any(|t| (t - time.0).abs() <= settings.longest_gap_s);
                near.then(|| JointState {
                    position_m: problem.sum(joint, basis.first, &basis.position),
                    velocity_m_s: problem.sum(joint, basis.first, &basis.velocity),
                    acceleration_m_s2: problem.sum(joint, basis.first, &basis.acceleration),
                    sd_m: start.at(joint, *time).and_then(|s| s.sd_m),
                })
            })
            .collect()
    });
    Trajectory {
        times,
        joints,
        world_known: start.world_known,
    }
}
