//! Levels of play: whose published values an athlete is compared with.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A level of play.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Level {
    /// 12 to 15 years.
    #[serde(rename = "12-15")]
    From12To15,
    /// 16 to 18 years.
    #[serde(rename = "16-18")]
    From16To18,
    /// College, about 18 to 22 years.
    #[serde(rename = "college")]
    College,
    /// Professional.
    #[serde(rename = "pro")]
    Professional,
}

/// A level that is not ours.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("'{name}' is not a level; hint: 12-15, 16-18, college or pro")]
pub struct UnknownLevel {
    /// What was asked for.
    pub name: String,
}

impl Level {
    /// All of them, the youngest first.
    pub const ALL: [Self; 4] = [
        Self::From12To15,
        Self::From16To18,
        Self::College,
        Self::Professional,
    ];

    /// As options and files write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::From12To15 => "12-15",
            Self::From16To18 => "16-18",
            Self::College => "college",
            Self::Professional => "pro",
        }
    }

    /// In words, for a sentence.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::From12To15 => "12 to 15 years",
            Self::From16To18 => "16 to 18 years",
            Self::College => "college",
            Self::Professional => "professional",
        }
    }

    /// The level of an age in years; a child under 12 has none, and a grown athlete's age does not tell it.
    #[must_use]
    pub fn of_age(years: f64) -> Option<Self> {
        match years {
            y if (12.0..16.0).contains(&y) => Some(Self::From12To15),
            y if (16.0..19.0).contains(&y) => Some(Self::From16To18),
            _ => None,
        }
    }

    /// Whether these athletes still grow.
    #[must_use]
    pub fn young(self) -> bool {
        matches!(self, Self::From12To15 | Self::From16To18)
    }
}

/// Whom an athlete is compared with, as far as it was given.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Peers {
    /// The level of play.
    pub level: Option<Level>,
    /// The athlete's age, years.
    pub age_years: Option<f64>,
}

impl Peers {
    /// The level that was given, else that of the age.
    #[must_use]
    pub fn level(&self) -> Option<Level> {
        self.level.or(self.age_years.and_then(Level::of_age))
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Level {
    type Err = UnknownLevel;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|level| level.name() == text)
            .ok_or_else(|| UnknownLevel {
                name: text.to_owned(),
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_and_an_unknown_one_lists_them() {
        for level in Level::ALL {
            assert_eq!(level.name().parse(), Ok(level));
        }
        let error = "varsity".parse::<Level>().unwrap_err();
        assert!(error.to_string().contains("16-18"));
    }

    #[test]
    fn an_age_tells_the_level_of_the_young_alone() {
        assert_eq!(Level::of_age(11.9), None);
        assert_eq!(Level::of_age(12.0), Some(Level::From12To15));
        assert_eq!(Level::of_age(15.9), Some(Level::From12To15));
        assert_eq!(Level::of_age(18.0), Some(Level::From16To18));
        assert_eq!(Level::of_age(23.0), None);
    }
}
