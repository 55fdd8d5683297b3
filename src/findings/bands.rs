//! Published bands by level, from `bands.toml`: compared only where definition and bandwidth match.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::findings::judge::{LIKELY, Quantity, probability, quantity};
use crate::findings::{Evidence, FindingsError, Level};
use crate::kinematics::catalogue;

const FILE: &str = "bands.toml";
const TEXT: &str = include_str!("bands.toml");

/// So many standard deviations to either side of the mean are shown: nineteen in twenty athletes.
const SHOWN_SDS: f64 = 2.0;

/// Published values of one figure at one level.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Whose.
    pub level: Level,
    /// Metric id.
    pub metric: String,
    /// Mean of the athletes, in the figure's unit and with its zero and sign.
    pub mean: f64,
    /// Standard deviation between the athletes.
    pub sd: f64,
    /// Key of the source; [`bands`] gives its text.
    pub source: String,
    /// Of whom.
    pub whom: String,
    /// `SEEN` read at the source, `DERIVED` arithmetic on such numbers, `MEM-H`, `MEM-M`, `MEM-L` from memory.
    pub provenance: String,
    /// What was done to bring it to our definition.
    pub conversion: String,
    /// Why the definition may be another than ours: shown, not judged.
    #[serde(default)]
    pub unsure: Option<String>,
    /// For speeds: compared when our bandwidth lies between these, hertz.
    #[serde(default)]
    pub bandwidth_hz: Option<[f64; 2]>,
}

/// Where a figure lies beside a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Likely within it.
    Within,
    /// Likely below it.
    Below,
    /// Likely above it.
    Above,
    /// The doubt does not allow to tell.
    CannotTell,
    /// The band's definition is not surely ours, or the figure is unsafe to act on.
    NotJudged,
}

impl Place {
    /// As files write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Below => "below",
            Self::Above => "above",
            Self::CannotTell => "cannot_tell",
            Self::NotJudged => "not_judged",
        }
    }
}

/// Published values of comparable athletes, of one figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// Two standard deviations below the published mean.
    pub low: f64,
    /// Two standard deviations above it.
    pub high: f64,
    /// Published mean.
    pub mean: f64,
    /// Published standard deviation between athletes.
    pub sd: f64,
    /// Where it is published, and of whom.
    pub source: String,
    /// How the number came here.
    pub provenance: String,
    /// Why not to lean on it, where there is a reason.
    pub caveat: Option<String>,
    /// Of which level.
    pub level: Level,
    /// Where the figure lies.
    pub place: Place,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    source: BTreeMap<String, Source>,
    band: Vec<Band>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Source {
    text: String,
}

fn table() -> Result<&'static Table, FindingsError> {
    static TABLE: LazyLock<Result<Table, FindingsError>> = LazyLock::new(|| {
        let broken = |why: String| FindingsError::Table { file: FILE, why };
        let table: Table = toml::from_str(TEXT).map_err(|e| broken(e.to_string()))?;
        for (i, band) in table.band.iter().enumerate() {
            let wrong = |why: &str| Err(broken(format!("{} of {}: {why}", band.metric, band.level)));
            let Some(definition) = catalogue().find(|d| d.id == band.metric) else {
                return wrong("not a metric");
            };
            if definition.unit.is_speed() && band.bandwidth_hz.is_none() && band.metric != "ball_speed_m_s" {
                return wrong("a speed needs its bandwidth");
            }
            if !table.source.contains_key(&band.source) {
                return wrong("its source is not there");
            }
            let same = |b: &Band| b.metric == band.metric && b.level == band.level;
            if table.band[..i].iter().any(same) {
                return wrong("it stands twice");
            }
        }
        Ok(table)
    });
    TABLE.as_ref().map_err(Clone::clone)
}

/// All bands, each with its source's text.
///
/// # Errors
/// [`FindingsError::Table`]: a fault of the program.
pub fn bands() -> Result<Vec<(&'static Band, &'static str)>, FindingsError> {
    let table = table()?;
    let text = |band: &Band| table.source.get(&band.source).map_or("", |s| s.text.as_str());
    Ok(table.band.iter().map(|b| (b, text(b))).collect())
}

pub(super) fn references(evidence: &Evidence) -> Result<BTreeMap<String, Reference>, FindingsError> {
    let mut found = BTreeMap::new();
    let Some(level) = evidence.level else {
        return Ok(found);
    };
    for (band, source) in bands()?.into_iter().filter(|(b, _)| b.level == level) {
        let Some(figure) = evidence.figures.get(&band.metric) else {
            continue;
        };
        let matches =
            |[least, most]: [f64; 2]| figure.bandwidth_hz.is_some_and(|hz| (least..=most).contains(&hz));
        // Without a bandwidth of ours (exact joints) nothing was taken from the peak but nothing is alike either.
        if !band.bandwidth_hz.is_none_or(matches) {
            continue;
        }
        let Some(figure) = quantity(evidence, &band.metric, None)? else {
            continue;
        };
        found.insert(band.metric.clone(), reference(band, source, &figure));
    }
    Ok(found)
}

fn reference(band: &Band, source: &str, figure: &Quantity) -> Reference {
    let (low, high) = (band.mean - SHOWN_SDS * band.sd, band.mean + SHOWN_SDS * band.sd);
    let likely = |past: f64| probability(past, figure.sd) >= LIKELY;
    let place = if band.unsure.is_some() || figure.doubtful {
        Place::NotJudged
    } else if likely(low - figure.value) {
        Place::Below
    } else if likely(figure.value - high) {
        Place::Above
    } else if likely(figure.value - low) && likely(high - figure.value) {
        Place::Within
    } else {
        Place::CannotTell
    };
    let memory = band.provenance.starts_with("MEM");
    Reference {
        low,
        high,
        mean: band.mean,
        sd: band.sd,
        source: format!("{source}: {}", band.whom),
        provenance: band.provenance.clone(),
        caveat: match (&band.unsure, memory) {
            (Some(why), true) => Some(format!("from memory; definition unsure: {why}")),
            (Some(why), false) => Some(format!("definition unsure: {why}")),
            (None, true) => Some("from memory".to_owned()),
            (None, false) => None,
        },
        level: band.level,
        place,
    }
}
