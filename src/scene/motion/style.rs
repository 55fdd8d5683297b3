//! Styles: how somebody pitches, with the faults that findings have to name, and natural variation.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::skeleton::Side;

/// What a named style changes.
type Plant = fn(&mut Style);

/// Named styles and what each plants.
const NAMED: [(&str, Plant); 14] = [
    ("clean", |_| {}),
    ("youth", |s| s.level = Level::Youth),
    ("early-rotation", |s| s.early_rotation = 1.0),
    ("late-rotation", |s| s.late_rotation = 1.0),
    ("little-travel", |s| s.little_travel = 1.0),
    ("heel-pop", |s| s.heel_pop = 1.0),
    ("glove-pull", |s| s.glove_pull = 1.0),
    ("side-tilt", |s| s.side_tilt = 1.0),
    ("upright-trunk", |s| s.upright_trunk = 1.0),
    ("straight-elbow", |s| s.straight_elbow = 1.0),
    ("soft-front-knee", |s| s.soft_front_knee = 1.0),
    ("no-separation", |s| s.no_separation = 1.0),
    ("slow-windup", |s| s.windup_s = 2.2),
    ("quick-windup", |s| s.windup_s = 0.6),
];

/// How strong the body and the throw are; proportions come from the rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// A grown pitcher.
    Adult,
    /// About 10 to 14 years: the same movement, a little slower from contact to release, less finger whip.
    Youth,
}

/// A way of pitching. Faults are strengths from 0 (absent) to 1 (plain to see).
#[derive(Clone, Debug, PartialEq)]
pub struct Style {
    /// The throwing arm's side.
    pub throws: Side,
    /// Grown or not.
    pub level: Level,
    /// Seconds from the first movement to knee lift, 0.6 to 2.5.
    pub windup_s: f64,
    /// Factor on the time from knee lift to contact, natural variation apart.
    pub stride_time: f64,
    /// Factor on the time from contact to release, natural variation apart.
    pub drive_time: f64,
    /// Lead ankle at contact minus drive ankle at knee lift along x, % of body height for legs of average length (longer
    /// legs stride longer).
    pub stride_pct_height: f64,
    /// The pelvis turns early.
    pub early_rotation: f64,
    /// The pelvis turns late.
    pub late_rotation: f64,
    /// The hips travel little before they turn.
    pub little_travel: f64,
    /// The drive heel pops up early.
    pub heel_pop: f64,
    /// The glove arm peaks before contact and pulls.
    pub glove_pull: f64,
    /// The trunk leans far to the glove side from layback on.
    pub side_tilt: f64,
    /// The trunk is still upright at layback.
    pub upright_trunk: f64,
    /// The elbow is straight too early.
    pub straight_elbow: f64,
    /// The lead knee gives way instead of extending.
    pub soft_front_knee: f64,
    /// Hips and trunk turn together.
    pub no_separation: f64,
    /// Seed of the natural variation; `None` for the exact reference movement.
    pub seed: Option<u64>,
}

/// A style name that is not ours.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("'{name}' is not a style; known styles are {}", Style::names().collect::<Vec<_>>().join(", "))]
pub struct UnknownStyle {
    /// What was asked for.
    pub name: String,
}

impl Default for Style {
    fn default() -> Self {
        Self {
            throws: Side::Right,
            level: Level::Adult,
            windup_s: 0.95,
            stride_time: 1.0,
            drive_time: 1.0,
            stride_pct_height: 80.0,
            early_rotation: 0.0,
            late_rotation: 0.0,
            little_travel: 0.0,
            heel_pop: 0.0,
            glove_pull: 0.0,
            side_tilt: 0.0,
            upright_trunk: 0.0,
            straight_elbow: 0.0,
            soft_front_knee: 0.0,
            no_separation: 0.0,
            seed: None,
        }
    }
}

impl Style {
    /// Names that [`Style::named`] knows.
    pub fn names() -> impl Iterator<Item = &'static str> {
        NAMED.iter().map(|(name, _)| *name)
    }

    /// A right-hander of a named style.
    ///
    /// # Errors
    /// [`UnknownStyle`], which lists the known names.
    pub fn named(name: &str) -> Result<Self, UnknownStyle> {
        let (_, plant) = NAMED
            .iter()
            .find(|(known, _)| *known == name)
            .ok_or_else(|| UnknownStyle {
                name: name.to_owned(),
            })?;
        let mut style = Self::default();
        plant(&mut style);
        Ok(style)
    }

    /// The same style thrown with this arm.
    #[must_use]
    pub fn throwing(self, throws: Side) -> Self {
        Self { throws, ..self }
    }

    /// The same style with natural variation of phases (up to 8 %) and angles, drawn from a seed.
    #[must_use]
    pub fn with_seed(self, seed: u64) -> Self {
        Self {
            seed: Some(seed),
            ..self
        }
    }

    /// The same style with every planted fault scaled by `strength`, 0 to 1.
    #[must_use]
    pub fn with_strength(mut self, strength: f64) -> Self {
        for fault in [
            &mut self.early_rotation,
            &mut self.late_rotation,
            &mut self.little_travel,
            &mut self.heel_pop,
            &mut self.glove_pull,
            &mut self.side_tilt,
            &mut self.upright_trunk,
            &mut self.straight_elbow,
            &mut self.soft_front_knee,
            &mut self.no_separation,
        ] {
            *fault *= strength;
        }
        self
    }
}

/// Natural variation between throws and throwers: draws in a fixed order from a seed, or nothing at all.
pub(super) struct Nature(Option<ChaCha8Rng>);

impl Nature {
    /// Starts the draws of a style.
    pub(super) fn of(style: &Style) -> Self {
        Self(style.seed.map(ChaCha8Rng::seed_from_u64))
    }

    /// An offset, evenly spread over -`reach` to `reach`.
    pub(super) fn offset(&mut self, reach: f64) -> f64 {
        self.0
            .as_mut()
            .map_or(0.0, |random| random.random_range(-reach..=reach))
    }

    /// A factor, evenly spread over 1 - `reach` to 1 + `reach`.
    pub(super) fn factor(&mut self, reach: f64) -> f64 {
        1.0 + self.offset(reach)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_known_and_an_unknown_one_lists_them() {
        for name in Style::names() {
            assert!(Style::named(name).is_ok());
        }
        let error = Style::named("sidearm").unwrap_err();
        assert!(error.to_string().contains("early-rotation"));
    }
}
