//! The athlete: what was given, and what is estimated from the motion when it was not.

use serde::{Deserialize, Serialize};

use crate::skeleton::{Joint, Side};
use crate::trajectory::Trajectory;

use super::inertia::{SegmentKind, Sex};
use super::reason::{Caution, Missing};

/// What is known of the athlete.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Athlete {
    /// Body height, metres.
    pub height_m: Option<f64>,
    /// Body mass, kilograms.
    pub mass_kg: Option<f64>,
    /// Whose body-segment parameters are used; men's when not given.
    #[serde(default)]
    pub sex: Sex,
    /// The throwing hand; guessed from the faster hand when not given.
    pub throws: Option<Side>,
}

/// Relative standard deviation of a height estimated from the skeleton (from memory, no source: people of one height
/// differ by about so much in the length of legs and trunk).
pub(super) const ESTIMATED_HEIGHT_SD: f64 = 0.04;

/// Below this height a pitcher is taken for one who still grows, metres (common practice, no source).
const YOUNG_BODY_M: f64 = 1.55;

/// Body mass over height squared that stands in for an unknown mass, kg/m2 (common practice, no source).
const ASSUMED_MASS_KG_M2: f64 = 24.0;

/// Body height, metres, with where it comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Height {
    Given(f64),
    Estimated(f64),
    Unknown,
}

impl Height {
    /// The height and the reason to doubt it.
    pub(super) fn metres(self) -> Result<(f64, Option<Caution>), Missing> {
        match self {
            Self::Given(height_m) => Ok((height_m, None)),
            Self::Estimated(height_m) => Ok((height_m, Some(Caution::HeightEstimated { height_m }))),
            Self::Unknown => Err(Missing::Height),
        }
    }

    /// The reason to doubt adults' segment parameters for this body, if it is one.
    pub(super) fn young(self) -> Option<Caution> {
        let (height_m, _) = self.metres().ok()?;
        (height_m < YOUNG_BODY_M).then_some(Caution::YoungBody { height_m })
    }

    /// An estimated height times `factor`; a given one stays.
    pub(super) fn jittered(self, factor: f64) -> Self {
        match self {
            Self::Estimated(height_m) => Self::Estimated(height_m * factor),
            other => other,
        }
    }
}

/// The mass for the ball's share per kilogram of body mass, and the reason to doubt it.
pub(super) fn mass_for_ball_kg(
    mass_kg: Option<f64>,
    height: Height,
) -> Result<(f64, Option<Caution>), Missing> {
    match (mass_kg, height.metres()) {
        (Some(mass_kg), _) => Ok((mass_kg, None)),
        (None, Ok((height_m, _))) => {
            let mass_kg = ASSUMED_MASS_KG_M2 * height_m * height_m;
            Ok((mass_kg, Some(Caution::MassAssumed { mass_kg })))
        }
        (None, Err(_)) => Err(Missing::Mass),
    }
}

/// Lengths over body height of de Leva's sample (1741 mm men, 1735 mm women; from memory, so never a check value).
fn share_of_height(kind: SegmentKind, sex: Sex) -> f64 {
    match (kind, sex) {
        (SegmentKind::Head, Sex::Male) => 0.1395,
        (SegmentKind::Head, Sex::Female) => 0.1405,
        (SegmentKind::Trunk, Sex::Male) => 0.2961,
        (SegmentKind::Trunk, Sex::Female) => 0.2870,
        (SegmentKind::Thigh, Sex::Male) => 0.2425,
        (SegmentKind::Thigh, Sex::Female) => 0.2124,
        (SegmentKind::Shank, Sex::Male) => 0.2493,
        (SegmentKind::Shank, Sex::Female) => 0.2492,
        _ => 0.0,
    }
}

/// Height from the mean lengths of head, trunk, thigh and shank; thigh and shank are needed at least.
pub(super) fn estimate_height(lengths_m: &[(SegmentKind, Option<f64>)], sex: Sex) -> Height {
    let mean = |kind: SegmentKind| {
        let known: Vec<f64> = lengths_m
            .iter()
            .filter(|l| l.0 == kind)
            .filter_map(|l| l.1)
            .collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    let (Some(thigh), Some(shank)) = (mean(SegmentKind::Thigh), mean(SegmentKind::Shank)) else {
        return Height::Unknown;
    };
    let mut length = thigh + shank;
    let mut share = share_of_height(SegmentKind::Thigh, sex) + share_of_height(SegmentKind::Shank, sex);
    for kind in [SegmentKind::Trunk, SegmentKind::Head] {
        if let Some(more) = mean(kind) {
            length += more;
            share += share_of_height(kind, sex);
        }
    }
    Height::Estimated(length / share)
}

/// The hand that reaches the higher speed; the wrist counts where the knuckle is unknown. `None` without any hand.
#[must_use]
pub fn faster_hand(trajectory: &Trajectory) -> Option<Side> {
    let fastest = |knuckle: Joint, wrist: Joint| {
        [knuckle, wrist].into_iter().find_map(|joint| {
            trajectory.joints[joint]
                .iter()
                .flatten()
                .map(|state| state.velocity_m_s.norm())
                .max_by(f64::total_cmp)
        })
    };
    let left = fastest(Joint::LeftKnuckle, Joint::LeftWrist);
    let right = fastest(Joint::RightKnuckle, Joint::RightWrist);
    match (left, right) {
        (None, None) => None,
        (left, right) if left.unwrap_or(0.0) > right.unwrap_or(0.0) => Some(Side::Left),
        _ => Some(Side::Right),
    }
}
