//! Finds the deliveries in a recording: where a hand moves as only a throw moves it.

use crate::skeleton::{Joint, Side};
use crate::trajectory::Trajectory;
use crate::units::Seconds;

/// A hand faster than this throws. Common practice, no source: a twelve-year-old's knuckle passes 10 m/s, a walk,
/// a stretch or a glove tap stays under 5.
const THROW_SPEED_M_S: f64 = 8.0;

/// Two throws are at least this far apart.
const SPACING_S: f64 = 2.0;

/// What belongs to a delivery before and after its fastest instant: a slow wind-up, the follow-through.
const BEFORE_S: f64 = 3.6;
const AFTER_S: f64 = 0.9;

/// States whose position is worse than this do not start a delivery, metres.
const WORST_SD_M: f64 = 0.15;

/// States this near to an end of what is known of a joint do not start a delivery: a smoothed path may fly off there.
const NEAR_GAP_STATES: usize = 4;

/// One delivery within a recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeliverySpan {
    /// First instant that belongs to it.
    pub from: Seconds,
    /// Last instant that belongs to it.
    pub to: Seconds,
    /// When the throwing hand is fastest.
    pub fastest: Seconds,
    /// The hand that throws.
    pub throws: Side,
}

/// Every delivery of a recording, in order of time; empty when nothing was thrown.
///
/// `throws` restricts the search to one hand when it is known.
#[must_use]
pub fn find_deliveries(trajectory: &Trajectory, throws: Option<Side>) -> Vec<DeliverySpan> {
    let Some((start, end)) = trajectory.span() else {
        return Vec::new();
    };
    let mut peaks: Vec<(f64, Seconds, Side)> = Vec::new();
    for side in [Side::Left, Side::Right] {
        if throws.is_none_or(|only| only == side) {
            peaks.extend(fast_instants(trajectory, side).map(|(speed, time)| (speed, time, side)));
        }
    }
    // The fastest first: whatever lies near it belongs to the same throw.
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<(Seconds, Side)> = Vec::new();
    for (_, time, side) in peaks {
        if kept.iter().all(|(other, _)| (*other - time).abs().0 >= SPACING_S) {
            kept.push((time, side));
        }
    }
    kept.sort_by(|a, b| a.0.0.total_cmp(&b.0.0));
    (0..kept.len())
        .map(|i| {
            let (fastest, throws) = kept[i];
            // A quick next wind-up may begin right after the follow-through.
            let before = if i > 0 {
                kept[i - 1].0 + Seconds(AFTER_S)
            } else {
                start
            };
            let after = if i + 1 < kept.len() {
                kept[i + 1].0 - Seconds(AFTER_S)
            } else {
                end
            };
            DeliverySpan {
                from: (fastest - Seconds(BEFORE_S)).max(before),
                to: (fastest + Seconds(AFTER_S)).min(after),
                fastest,
                throws,
            }
        })
        .collect()
}

/// Instants at which a hand is faster than a throw, with its speed.
fn fast_instants(trajectory: &Trajectory, side: Side) -> impl Iterator<Item = (f64, Seconds)> + '_ {
    let (knuckle, wrist) = match side {
        Side::Left => (Joint::LeftKnuckle, Joint::LeftWrist),
        Side::Right => (Joint::RightKnuckle, Joint::RightWrist),
    };
    let sure = |joint: Joint, i: usize| {
        let states = &trajectory.joints[joint];
        let around = i.checked_sub(NEAR_GAP_STATES)?..i + NEAR_GAP_STATES + 1;
        let known = states.get(around)?.iter().all(Option::is_some);
        states[i].filter(|_| known)
    };
    trajectory.times.iter().enumerate().filter_map(move |(i, time)| {
        let state = sure(knuckle, i).or_else(|| sure(wrist, i))?;
        let speed = state.velocity_m_s.norm();
        (speed > THROW_SPEED_M_S && state.sd_m.is_none_or(|sd| sd < WORST_SD_M)).then_some((speed, *time))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::PerJoint;
    use crate::trajectory::JointState;
    use nalgebra::Vector3;

    /// A recording of 20 s in which a hand is fast at given instants.
    fn recording(throws: &[(f64, Side, f64)]) -> Trajectory {
        let times: Vec<_> = (0..2000).map(|i| Seconds(f64::from(i) * 0.01)).collect();
        let joints = PerJoint::from_fn(|joint| {
            times
                .iter()
                .map(|t| {
                    let speed: f64 = throws
                        .iter()
                        .filter(|(_, side, _)| joint.name() == format!("{side}_knuckle"))
                        .map(|(at, _, top)| top * (-((t.0 - at) / 0.05).powi(2)).exp())
                        .sum();
                    Some(JointState {
                        position_m: Vector3::zeros(),
                        velocity_m_s: Vector3::new(speed, 0.0, 0.0),
                        acceleration_m_s2: Vector3::zeros(),
                        sd_m: None,
                    })
                })
                .collect()
        });
        Trajectory {
            times,
            joints,
            world_known: true,
        }
    }

    #[test]
    fn two_throws_are_two_deliveries_and_the_follow_through_of_the_glove_is_none() {
        let found = find_deliveries(
            &recording(&[
                (5.0, Side::Right, 20.0),
                (5.2, Side::Left, 9.0),
                (12.0, Side::Right, 18.0),
            ]),
            None,
        );
        assert_eq!(found.len(), 2);
        assert!((found[0].fastest.0 - 5.0).abs() < 0.011 && (found[1].fastest.0 - 12.0).abs() < 0.011);
        assert!(found.iter().all(|d| d.throws == Side::Right));
        assert!(found[0].to.0 < found[1].from.0);
    }

    #[test]
    fn a_path_that_flies_off_beside_a_gap_is_no_delivery() {
        let mut filmed = recording(&[(5.0, Side::Right, 20.0)]);
        let glove = &mut filmed.joints[Joint::LeftKnuckle];
        for state in &mut glove[1000..1040] {
            *state = None;
        }
        for at in (997..1000).chain(1040..1043) {
            if let Some(state) = &mut glove[at] {
                state.velocity_m_s.x = 30.0;
            }
        }
        let found = find_deliveries(&filmed, None);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].throws, Side::Right);
    }

    #[test]
    fn a_walk_is_no_delivery() {
        assert!(find_deliveries(&recording(&[(5.0, Side::Right, 4.0)]), None).is_empty());
    }
}
