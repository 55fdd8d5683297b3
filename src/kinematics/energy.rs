//! Kinetic energy, per kilogram of body mass, and the centre of mass, from joint centres and de Leva's parameters.
//!
//! A segment is a rod between two points (a point may be the middle of two joints). Limbs, head and feet: their spin
//! about the long axis cannot be seen and counts as zero, and as the remaining axes cannot be told apart the mean of
//! the two transverse moments of inertia is used. The trunk has a frame and uses all three.
//!
//! Noise of the joints adds energy (a square has no sign): its expectation, from the standard deviation of each
//! joint's speed, is subtracted.

use std::ops::Range;

use nalgebra::Vector3;

use crate::skeleton::{JOINT_COUNT, Joint};
use crate::trajectory::JointState;

use super::inertia::{Row, SegmentKind, Sex, row};
use super::motion::Motion;
use super::moving::MovingVector;
use super::reason::Missing;
use super::segments::{GLOVE, THROWING, shoulder_line, trunk};

/// Mass of a baseball, kilograms (Official Baseball Rules: 5 to 5.25 ounces).
pub(super) const BALL_MASS_KG: f64 = 0.145;

/// How far a growing body's segments may be from an adult's, one standard deviation: masses and radii relative, centres in
/// percent of the length (own choice, about the differences between published tables of children and adults; from memory,
/// no source).
const MASS_SD: f64 = 0.10;
const RADIUS_SD: f64 = 0.05;
const CENTRE_SD_PCT: f64 = 2.0;

/// One segment of the body: its row and the joints whose middles are its ends, in the row's order.
pub(super) struct Segment {
    pub(super) kind: SegmentKind,
    proximal: &'static [Joint],
    distal: &'static [Joint],
}

const fn segment(kind: SegmentKind, proximal: &'static [Joint], distal: &'static [Joint]) -> Segment {
    Segment {
        kind,
        proximal,
        distal,
    }
}

/// How many segments a body has.
pub(super) const SEGMENT_COUNT: usize = 14;

/// All segments of the body.
pub(super) const BODY: [Segment; SEGMENT_COUNT] = [
    segment(SegmentKind::Head, &[Joint::HeadTop], &[Joint::Neck]),
    segment(
        SegmentKind::Trunk,
        &[Joint::LeftShoulder, Joint::RightShoulder],
        &[Joint::LeftHip, Joint::RightHip],
    ),
    segment(SegmentKind::UpperArm, &[THROWING.shoulder], &[THROWING.elbow]),
    segment(SegmentKind::Forearm, &[THROWING.elbow], &[THROWING.wrist]),
    segment(SegmentKind::Hand, &[THROWING.wrist], &[THROWING.knuckle]),
    segment(SegmentKind::UpperArm, &[GLOVE.shoulder], &[GLOVE.elbow]),
    segment(SegmentKind::Forearm, &[GLOVE.elbow], &[GLOVE.wrist]),
    segment(SegmentKind::Hand, &[GLOVE.wrist], &[GLOVE.knuckle]),
    segment(SegmentKind::Thigh, &[Joint::LeftHip], &[Joint::LeftKnee]),
    segment(SegmentKind::Thigh, &[Joint::RightHip], &[Joint::RightKnee]),
    segment(SegmentKind::Shank, &[Joint::LeftKnee], &[Joint::LeftAnkle]),
    segment(SegmentKind::Shank, &[Joint::RightKnee], &[Joint::RightAnkle]),
    segment(SegmentKind::Foot, &[Joint::LeftHeel], &[Joint::LeftBigToe]),
    segment(SegmentKind::Foot, &[Joint::RightHeel], &[Joint::RightBigToe]),
];

/// Trunk with head.
pub(super) const TRUNK_AND_HEAD: Range<usize> = 0..2;
/// Upper arm, forearm and hand of the throwing arm.
pub(super) const THROWING_ARM: Range<usize> = 2..5;
/// Both thighs, shanks and feet.
pub(super) const LOWER_BODY: Range<usize> = 8..14;

/// Kinetic energy of a segment or several, J per kg of body mass, the expected energy of the joints' noise taken away.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Parts {
    /// Of the centre's motion.
    pub(super) linear: f64,
    /// Of the turn about the centre.
    pub(super) rotational: f64,
}

/// Inertia of one body: rows by sex and mean segment lengths.
#[derive(Clone, Debug)]
pub(super) struct Inertia {
    rows: [Row; SEGMENT_COUNT],
    /// Mean lengths over the recording, metres; `None` where an end is never known.
    pub(super) lengths_m: [Option<f64>; SEGMENT_COUNT],
}

/// The middle of some joints at a sample of the trajectory.
fn middle_at(motion: &Motion<'_>, joints: &[Joint], index: usize) -> Option<Vector3<f64>> {
    let mut sum = Vector3::zeros();
    for &joint in joints {
        sum += motion.trajectory.joints[joint].get(index)?.as_ref()?.position_m;
    }
    Some(sum / joints.len() as f64)
}

impl Inertia {
    /// Rows for the sex, lengths from the motion.
    pub(super) fn new(motion: &Motion<'_>, sex: Sex) -> Self {
        let length_m = |segment: &Segment| {
            let (mut sum, mut count) = (0.0, 0);
            for index in 0..motion.trajectory.times.len() {
                let ends =
                    middle_at(motion, segment.proximal, index).zip(middle_at(motion, segment.distal, index));
                if let Some((proximal, distal)) = ends {
                    sum += (distal - proximal).norm();
                    count += 1;
                }
            }
            (count > 0).then(|| sum / f64::from(count))
        };
        Self {
            rows: std::array::from_fn(|i| row(BODY[i].kind, sex)),
            lengths_m: std::array::from_fn(|i| length_m(&BODY[i])),
        }
    }

    /// The same body with each segment's mass, centre and radii of gyration moved within a doubt: `normal` draws from the
    /// standard normal distribution.
    pub(super) fn moved(mut self, mut normal: impl FnMut() -> f64) -> Self {
        for row in &mut self.rows {
            row.mass_pct *= (MASS_SD * normal()).exp();
            row.centre_pct += CENTRE_SD_PCT * normal();
            let radii = (RADIUS_SD * normal()).exp();
            row.sagittal_pct *= radii;
            row.transverse_pct *= radii;
            row.longitudinal_pct *= radii;
        }
        self
    }

    /// Mass of a segment over the body's.
    fn mass_share(&self, index: usize) -> f64 {
        self.rows[index].mass_pct / 100.0
    }

    /// Kinetic energy of some segments, J per kg of body mass, less the expected energy of the joints' noise.
    pub(super) fn energy_j_kg(
        &self,
        motion: &Motion<'_>,
        segments: Range<usize>,
        time_s: f64,
    ) -> Result<f64, Missing> {
        let mut sum = 0.0;
        for index in segments {
            let parts = self.segment_parts(motion, index, time_s)?;
            sum += parts.linear + parts.rotational;
        }
        Ok(sum.max(0.0))
    }

    /// Linear and rotational energy of some segments.
    pub(super) fn parts(
        &self,
        motion: &Motion<'_>,
        segments: Range<usize>,
        time_s: f64,
    ) -> Result<Parts, Missing> {
        let mut sum = Parts::default();
        for index in segments {
            let parts = self.segment_parts(motion, index, time_s)?;
            sum.linear += parts.linear;
            sum.rotational += parts.rotational;
        }
        Ok(Parts {
            linear: sum.linear.max(0.0),
            rotational: sum.rotational.max(0.0),
        })
    }

    /// A segment's centre of mass.
    pub(super) fn segment_centre(
        &self,
        motion: &Motion<'_>,
        index: usize,
        time_s: f64,
    ) -> Result<MovingVector, Missing> {
        let segment = &BODY[index];
        let share = self.rows[index].centre_pct / 100.0;
        Ok(end(motion, segment.proximal, time_s)?.point * (1.0 - share)
            + end(motion, segment.distal, time_s)?.point * share)
    }

    fn segment_parts(&self, motion: &Motion<'_>, index: usize, time_s: f64) -> Result<Parts, Missing> {
        let segment = &BODY[index];
        let row = &self.rows[index];
        let (proximal, distal) = (
            end(motion, segment.proximal, time_s)?,
            end(motion, segment.distal, time_s)?,
        );
        let degenerate = Missing::Degenerate {
            segment: "body segment",
            time_s,
        };
        let length_m = self.lengths_m[index].ok_or(degenerate.clone())?;
        let share = row.centre_pct / 100.0;
        let centre = proximal.point * (1.0 - share) + distal.point * share;
        let radius2_m2 = |pct: f64| (pct / 100.0 * length_m).powi(2);
        let (sagittal, transverse) = (radius2_m2(row.sagittal_pct), radius2_m2(row.transverse_pct));
        // Noise of the ends' speeds, per axis, squared.
        let (noise_p, noise_d) = (proximal.speed_variance, distal.speed_variance);
        let centre_noise = 3.0 * (noise_p * (1.0 - share).powi(2) + noise_d * share * share);
        let now_m = (distal.point - proximal.point).norm().value;
        if now_m < 1e-9 {
            return Err(degenerate);
        }
        let swing_noise = 2.0 * (noise_p + noise_d) / now_m.powi(2);
        let mean = 0.5 * (sagittal + transverse);
        let (turn, turn_noise) = if segment.kind == SegmentKind::Trunk {
            let omega = trunk(motion, time_s)?.angular_velocity_rad_s();
            let longitudinal = radius2_m2(row.longitudinal_pct);
            let width_m = shoulder_line(motion, time_s)?.norm().value;
            // Each shoulder weighs half in the end point: their difference has four times its variance.
            let twist_noise = 4.0 * noise_p / width_m.powi(2);
            (
                sagittal * omega.x.powi(2) + transverse * omega.z.powi(2) + longitudinal * omega.y.powi(2),
                mean * swing_noise + longitudinal * twist_noise,
            )
        } else {
            let direction = distal.point - proximal.point;
            let unit = direction.unit().ok_or(degenerate)?;
            (mean * unit.rate.norm_squared(), mean * swing_noise)
        };
        let half_mass = 0.5 * self.mass_share(index);
        Ok(Parts {
            linear: half_mass * (centre.rate.norm_squared() - centre_noise),
            rotational: half_mass * (turn - turn_noise),
        })
    }

    /// Velocity of the centre of mass of the whole body, metres per second.
    pub(super) fn centre_of_mass(&self, motion: &Motion<'_>, time_s: f64) -> Result<MovingVector, Missing> {
        let mut sum = MovingVector::fixed(Vector3::zeros());
        for (joint, weight) in self.joint_weights() {
            sum = sum + motion.joint(joint, time_s)? * weight;
        }
        Ok(sum)
    }

    /// Share of the whole body's kinetic energy that is its centre's, 0 to 1; expected noise subtracted from both.
    pub(super) fn linear_share(&self, motion: &Motion<'_>, time_s: f64) -> Result<f64, Missing> {
        let mass: f64 = (0..SEGMENT_COUNT).map(|i| self.mass_share(i)).sum();
        let velocity = self.centre_of_mass(motion, time_s)?.rate;
        let mut noise = 0.0;
        for (joint, weight) in self.joint_weights() {
            noise += 3.0 * weight * weight * speed_variance(motion, joint, &motion.state(joint, time_s)?);
        }
        let linear = 0.5 * mass * (velocity.norm_squared() - noise).max(0.0);
        let total = self.energy_j_kg(motion, 0..SEGMENT_COUNT, time_s)?;
        if total <= 0.0 {
            return Err(Missing::Degenerate {
                segment: "moving body",
                time_s,
            });
        }
        Ok(linear / total)
    }

    /// The weight of each joint in the body's centre of mass; they sum to 1.
    fn joint_weights(&self) -> impl Iterator<Item = (Joint, f64)> {
        let mut weights = [0.0; JOINT_COUNT];
        let mass: f64 = (0..SEGMENT_COUNT).map(|i| self.mass_share(i)).sum();
        for (index, segment) in BODY.iter().enumerate() {
            let share = self.rows[index].centre_pct / 100.0;
            for (joints, part) in [(segment.proximal, 1.0 - share), (segment.distal, share)] {
                for joint in joints {
                    weights[joint.index()] += self.mass_share(index) / mass * part / joints.len() as f64;
                }
            }
        }
        Joint::ALL.into_iter().zip(weights).filter(|w| w.1 > 0.0)
    }
}

/// Energy of the ball in the hand, J per kg of body mass, less the expected noise.
pub(super) fn ball_j_kg(motion: &Motion<'_>, mass_kg: f64, time_s: f64) -> Result<f64, Missing> {
    let hand = motion.state(THROWING.knuckle, time_s)?;
    let speed2 = hand.velocity_m_s.norm_squared();
    let noise = 3.0 * speed_variance(motion, THROWING.knuckle, &hand);
    Ok(0.5 * BALL_MASS_KG / mass_kg * (speed2 - noise).max(0.0))
}

/// An end of a segment: the middle of its joints, and the variance of its speed per axis.
struct End {
    point: MovingVector,
    speed_variance: f64,
}

fn end(motion: &Motion<'_>, joints: &[Joint], time_s: f64) -> Result<End, Missing> {
    let mut point = MovingVector::fixed(Vector3::zeros());
    let mut variance = 0.0;
    for &joint in joints {
        let state = motion.state(joint, time_s)?;
        point = point
            + MovingVector {
                value: state.position_m,
                rate: state.velocity_m_s,
            };
        variance += speed_variance(motion, joint, &state);
    }
    let count = joints.len() as f64;
    Ok(End {
        point: point * (1.0 / count),
        speed_variance: variance / (count * count),
    })
}

/// Variance of a joint's speed along one axis; 0 where its doubt is unknown.
fn speed_variance(motion: &Motion<'_>, joint: Joint, state: &JointState) -> f64 {
    (state.sd_m.unwrap_or(0.0) * motion.speed_noise_per_s[joint]).powi(2)
}
