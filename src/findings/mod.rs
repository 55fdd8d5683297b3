//! Findings: figures become sentences for the coach, each with its evidence, its source and how sure it is.
//!
//! Input: a plain table of figures with their doubts ([`Evidence`]), of one delivery or the means of several. Method: rules
//! from a data file (`rules.toml`), each a threshold with its source; the probability that the true value lies past it,
//! given the stated doubt; an order by what explains what. Output: [`Findings`], and published bands of comparable
//! athletes ([`references()`], from `bands.toml`). Nothing here is a diagnosis, and no joint torque is compared with anything.

use std::collections::BTreeMap;

/// Published bands.
mod bands;

/// The table of figures that findings are made of.
mod evidence;

/// What comes out.
mod finding;

/// How sure a rule is.
mod judge;

/// Levels of play.
mod level;

/// What explains what.
mod order;

/// The page of documentation.
mod page;

/// The rules as data.
mod rules;

/// Errors that all recordings share.
mod shared_errors;

/// Sentences.
mod words;

pub use bands::{Band, Place, Reference, bands};
pub use evidence::{Evidence, Figure};
pub use finding::{Clue, Direction, Finding, Findings, Improvement, Sureness, Undecided};
pub use level::{Level, Peers, UnknownLevel};
pub use page::findings_markdown;

use order::{Fired, explains, ordered};
use rules::{Rule, When};

/// From so many deliveries on their mean says something.
const SEVERAL: usize = 5;

/// What can go wrong with findings.
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
pub enum FindingsError {
    /// A figure that is no number.
    #[error("the figure {id} is not a finite number; hint: leave out figures that could not be measured")]
    NotFinite {
        /// Which.
        id: String,
    },
    /// A data file of the program does not hold together; a fault of the program.
    #[error("{file} cannot be used: {why}; hint: it comes with the program, install it again")]
    Table {
        /// Which.
        file: &'static str,
        /// Why.
        why: String,
    },
}

/// What the figures say of the delivery.
///
/// # Errors
/// [`FindingsError`]: a figure that is no number, or a fault of the program.
pub fn find(evidence: &Evidence) -> Result<Findings, FindingsError> {
    evidence.check()?;
    let rules = rules::rules()?;
    let (mut fired, mut undecided) = (Vec::new(), Vec::new());
    for rule in &rules.fault {
        let verdict = judge::judge(evidence, rule)?;
        if verdict.sureness().is_some() {
            fired.push(Fired { rule, verdict });
        } else if verdict.possible() {
            undecided.push(Undecided {
                id: rule.id.clone(),
                title: rule.title.clone(),
                text: words::undecided(rule, &verdict),
            });
        }
    }
    let mut good = Vec::new();
    for rule in &rules.good {
        let verdict = judge::judge(evidence, rule)?;
        if verdict.sureness().is_some() {
            good.extend(finding(evidence, &Fired { rule, verdict }, &[])?);
        }
    }
    let (told, has_first) = ordered(fired);
    let told_rules: Vec<&Rule> = told.iter().map(|f| f.rule).collect();
    let mut faults = Vec::new();
    for one in &told {
        faults.extend(finding(evidence, one, &told_rules)?);
    }
    let due = |when: When| match when {
        When::Always => true,
        When::Young => evidence.young(),
        When::Few => evidence.deliveries < SEVERAL,
        When::Several => evidence.deliveries >= SEVERAL,
    };
    Ok(Findings {
        level: evidence.level,
        deliveries: evidence.deliveries,
        first: faults.first().filter(|_| has_first).map(|f| f.id.clone()),
        faults,
        good,
        undecided,
        cautions: rules
            .caution
            .iter()
            .filter(|c| due(c.when))
            .map(|c| c.text.clone())
            .collect(),
    })
}

/// A fired rule in words; `None` for one that did not fire.
fn finding(
    evidence: &Evidence,
    fired: &Fired<'_>,
    others: &[&Rule],
) -> Result<Option<Finding>, FindingsError> {
    let Fired { rule, verdict } = fired;
    let Some(sure) = verdict.sureness() else {
        return Ok(None);
    };
    let ids = |rules: Vec<&&Rule>| rules.into_iter().map(|r| r.id.clone()).collect::<Vec<_>>();
    let to_improve = verdict
        .measured()
        .filter(|(_, c)| c.clue.probability >= judge::LIKELY);
    Ok(Some(Finding {
        id: rule.id.clone(),
        title: rule.title.clone(),
        text: words::text(evidence, rule, verdict)?,
        sure,
        probability: verdict.probability,
        clues: verdict.measured().map(|(_, c)| c.clue.clone()).collect(),
        explains: ids(others.iter().filter(|o| explains(rule, o)).collect()),
        explained_by: ids(others.iter().filter(|o| explains(o, rule)).collect()),
        work_on: rule.work_on.clone(),
        improved_when: if rule.work_on.is_empty() {
            Vec::new()
        } else {
            to_improve
                .map(|(i, c)| words::improvement(&rule.clue[i], c, evidence.deliveries))
                .collect()
        },
        source: rule.source.clone(),
        provenance: rule.provenance.clone(),
        caveat: rule.caveat.clone(),
    }))
}

/// Published values for the figures, by metric id: those of the athlete's level whose definition and bandwidth match; none
/// without a level.
///
/// # Errors
/// [`FindingsError`]: a figure that is no number, or a fault of the program.
pub fn references(evidence: &Evidence) -> Result<BTreeMap<String, Reference>, FindingsError> {
    evidence.check()?;
    bands::references(evidence)
}
