//! The page of documentation: figures against goals, doubts against errors, joint by joint.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use crate::accuracy::budget::budget;
use crate::accuracy::figures::{Figure, Stated, figures, mean, median, rms};
use crate::accuracy::goals::{
    CLOCK_S, CLOCK_SHARE, COVERAGE, Goal, Group, JOINTS_MM, SD_OVER_RMS, event_goal_s,
};
use crate::accuracy::log::{JointErrors, Outcome, Trial};
use crate::accuracy::trial::Variant;
use crate::kinematics::EventName;
use crate::skeleton::{Joint, Side};

/// The page, in Markdown, of one maker's deliveries; empty without any.
#[must_use]
pub fn page(trials: &[Trial]) -> String {
    let measured: Vec<&Trial> = trials
        .iter()
        .filter(|t| t.variant == Variant::AsMeasured)
        .collect();
    let outcomes: Vec<&Outcome> = measured.iter().filter_map(|t| t.outcome.as_ref()).collect();
    if outcomes.is_empty() {
        return String::new();
    }
    let figures = figures(&outcomes);
    let mut page = head(&measured, outcomes.len());
    page += &summary(&outcomes, &figures);
    page += &doubts(&outcomes, &figures);
    page += &every_metric(&figures);
    page += &budget(trials);
    page += &joints(&outcomes);
    page += &deliveries(&measured);
    page
}

/// What was filmed.
fn head(trials: &[&Trial], measured: usize) -> String {
    let of = |side: Side| trials.iter().filter(|t| t.scenario.throws == side).count();
    let rigs: BTreeSet<usize> = trials.iter().map(|t| t.scenario.rig).collect();
    let range = |f: &dyn Fn(&Trial) -> f64| {
        let values = trials.iter().map(|t| f(t));
        (
            values.clone().fold(f64::MAX, f64::min),
            values.fold(f64::MIN, f64::max),
        )
    };
    let (angle, windup) = (range(&|t| t.scenario.angle_deg), range(&|t| t.scenario.windup_s));
    let (slow, quick) = {
        let (quick, slow) = range(&|t| t.scenario.exposure_s[0]);
        (1.0 / slow, 1.0 / quick)
    };
    let youths = trials
        .iter()
        .filter(|t| t.scenario.body.starts_with("youth"))
        .count();
    let with_others = trials.iter().filter(|t| t.scenario.bystanders > 0).count();
    format!(
        "# Accuracy\n\n\
         Made by `make accuracy`. All figures are errors on **rendered recordings**, whose truth is known; they say nothing \
         of real cloth, skin, light and phones.\n\n\
         {measured} of {} deliveries were measured ({} right-handed, {} left-handed, {youths} young pitchers), filmed by {} \
         pairs of phones at 240 frames a second whose lines of sight cross at {:.0} to {:.0} degrees, each pair calibrated \
         once from films of the board. Wind-ups of {:.1} to {:.1} s, exposures of 1/{:.0} to 1/{:.0} s, other people in \
         {with_others} recordings. The program knew the pitcher's height and mass, not the shutters nor the clocks.\n\n",
        trials.len(),
        of(Side::Right),
        of(Side::Left),
        rigs.len(),
        angle.0,
        angle.1,
        windup.0,
        windup.1,
        slow,
        quick,
    )
}

fn verdict(reached: Option<bool>) -> &'static str {
    match reached {
        Some(true) => "yes",
        Some(false) => "**no**",
        None => "-",
    }
}

pub(crate) fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}

/// The goals and how far they are reached.
fn summary(outcomes: &[&Outcome], figures: &[Figure<'_>]) -> String {
    let mut out = String::from(
        "## Against the goals\n\nRoot mean square errors over the deliveries unless said otherwise.\n\n\
         | figure | goal | reached | met |\n|---|---|---|---|\n",
    );
    let mut row = |name: &str, goal: String, value: String, met: Option<bool>| {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "| {name} | {goal} | {value} | {} |", verdict(met));
    };
    let of_joints = |f: &dyn Fn(&JointErrors) -> f64| {
        let values: Vec<f64> = outcomes.iter().map(|o| f(&o.joints)).collect();
        mean(&values).unwrap_or(0.0)
    };
    for (name, mean_mm, median_mm) in [
        (
            "joints, peak knee lift to release, as measured, mean / median",
            of_joints(&|j| j.mean_mm),
            of_joints(&|j| j.median_mm),
        ),
        (
            "joints, after rigid alignment, mean / median",
            of_joints(&|j| j.aligned_mean_mm),
            of_joints(&|j| j.aligned_median_mm),
        ),
    ] {
        row(
            name,
            format!("{:.0} / {:.0} mm", JOINTS_MM.0, JOINTS_MM.1),
            format!("{mean_mm:.1} / {median_mm:.1} mm"),
            Some(mean_mm <= JOINTS_MM.0 && median_mm <= JOINTS_MM.1),
        );
    }
    for event in EventName::ALL {
        let errors = event_errors(outcomes, event);
        let (error_s, goal_s) = (rms(&errors), event_goal_s(event.id()));
        row(
            &format!("{event}, found in {} of {}", errors.len(), outcomes.len()),
            number(goal_s.map(|s| 1e3 * s), 1) + " ms",
            format!(
                "{} ms (median {} ms)",
                number(error_s.map(|s| 1e3 * s), 1),
                number(median(&sizes(&errors)).map(|s| 1e3 * s), 1)
            ),
            error_s.zip(goal_s).map(|(e, g)| e <= g),
        );
    }
    let hands = outcomes.iter().filter(|o| o.hand_found).count();
    row(
        "throwing hand, which the program was not told",
        "all".to_owned(),
        format!("{hands} of {}", outcomes.len()),
        Some(hands == outcomes.len()),
    );
    let clocks = outcomes
        .iter()
        .map(|o| f64::from(o.clock_error_s.abs() <= CLOCK_S));
    let share = mean(&clocks.collect::<Vec<_>>()).unwrap_or(0.0);
    row(
        "clock between middle instants",
        format!("{:.1} ms in {:.0} %", 1e3 * CLOCK_S, 100.0 * CLOCK_SHARE),
        format!(
            "{:.0} %; RMS {:.2} ms",
            100.0 * share,
            1e3 * rms(&outcomes.iter().map(|o| o.clock_error_s).collect::<Vec<_>>()).unwrap_or(0.0)
        ),
        Some(share >= CLOCK_SHARE),
    );
    let angles: Vec<&Figure<'_>> = figures
        .iter()
        .filter(|f| f.unit == "deg" && f.goal.is_some())
        .collect();
    let met = angles.iter().filter(|f| f.reaches() == Some(true)).count();
    row(
        "angles, each with true events (with found events)",
        "3 (4) degrees; drive-hip rotation, horizontal abduction, elbow 4.5; layback 6".to_owned(),
        format!("{met} of {} angles", angles.len()),
        Some(met == angles.len()),
    );
    for figure in figures.iter().filter(|f| f.unit != "deg") {
        let goal = match figure.goal {
            Some(Goal::Percent(most)) => format!("{most:.0} %"),
            Some(Goal::Own(_, most)) if figure.unit == "s" => format!("{:.0} ms", 1e3 * most),
            Some(Goal::Own(_, most)) => format!("{most:.0} {}", figure.unit),
            None => continue,
        };
        let reached = match figure.unit {
            "s" => number(rms(&figure.found).map(|s| 1e3 * s), 0) + " ms",
            _ => number(rms(&figure.found), 1) + " %",
        };
        row(&format!("`{}`", figure.id), goal, reached, figure.reaches());
    }
    out.push('\n');
    out
}

pub(crate) fn event_errors(outcomes: &[&Outcome], event: EventName) -> Vec<f64> {
    outcomes
        .iter()
        .filter_map(|o| o.events.get(event.id())?.error_s)
        .collect()
}

fn sizes(errors: &[f64]) -> Vec<f64> {
    errors.iter().map(|e| e.abs()).collect()
}

/// Whether the stated doubts hold, by group.
fn doubts(outcomes: &[&Outcome], figures: &[Figure<'_>]) -> String {
    let mut out = format!(
        "## Doubt\n\nShare of true values within the stated 90 % interval, and the median stated standard deviation over the \
         root mean square error (the median over the group's figures). Goal: {:.0} to {:.0} %, at most {SD_OVER_RMS}.\n\n\
         | group | values | within 90 % | sd / error | met |\n|---|---|---|---|---|\n",
        100.0 * COVERAGE.0,
        100.0 * COVERAGE.1
    );
    let mut row = |name: &str, count: usize, within: Option<f64>, ratio: Option<f64>| {
        let met = within
            .zip(ratio)
            .map(|(w, r)| (COVERAGE.0..=COVERAGE.1).contains(&w) && r <= SD_OVER_RMS);
        let _ = writeln!(
            out,
            "| {name} | {count} | {} % | {} | {} |",
            number(within.map(|w| 100.0 * w), 0),
            number(ratio, 2),
            verdict(met)
        );
    };
    let joints =
        |f: &dyn Fn(&JointErrors) -> f64| mean(&outcomes.iter().map(|o| f(&o.joints)).collect::<Vec<_>>());
    row(
        "joints, each coordinate",
        outcomes.len(),
        joints(&|j| j.within_90_share),
        joints(&|j| j.sd_over_rms),
    );
    let mut events = Stated::default();
    let mut ratios = Vec::new();
    for name in EventName::ALL {
        let mut one = Stated::default();
        for event in outcomes.iter().filter_map(|o| o.events.get(name.id())) {
            one.add(event.error_s, event.sd_s);
        }
        ratios.extend(one.sd_over_rms());
        events.pairs.extend(one.pairs);
    }
    row("events", events.pairs.len(), events.within_90(), median(&ratios));
    let mut clock = Stated::default();
    for o in outcomes {
        clock.add(Some(o.clock_error_s), o.clock_sd_s);
    }
    row("clock", clock.pairs.len(), clock.within_90(), clock.sd_over_rms());
    for group in Group::ALL {
        let own = || figures.iter().filter(|f| f.group == group);
        let all = Stated {
            pairs: own().flat_map(|f| f.stated.pairs.clone()).collect(),
        };
        let ratios: Vec<f64> = own().filter_map(|f| f.stated.sd_over_rms()).collect();
        row(group.name(), all.pairs.len(), all.within_90(), median(&ratios));
    }
    out.push('\n');
    out
}

fn every_metric(figures: &[Figure<'_>]) -> String {
    let mut out = String::from(
        "## Every metric\n\nRoot mean square error with the true events and with those found, mean error (bias), median size of the \
         error, share within the stated 90 % interval, median stated deviation over the root mean square error, deliveries in \
         which it could not be measured.\n\n\
         | metric | unit | true events | found events | bias | median | within 90 % | sd / error | missing | met |\n\
         |---|---|---|---|---|---|---|---|---|---|\n",
    );
    for f in figures {
        let decimals = match f.error_unit() {
            "s" => 3,
            "m" => 3,
            "J/kg" => 2,
            _ => 1,
        };
        let _ = writeln!(
            out,
            "| `{}` | {} | {} | {} | {} | {} | {} % | {} | {} of {} | {} |",
            f.id,
            f.error_unit(),
            number(rms(&f.at_truth), decimals),
            number(rms(&f.found), decimals),
            number(mean(&f.found), decimals),
            number(median(&sizes(&f.found)), decimals),
            number(f.stated.within_90().map(|w| 100.0 * w), 0),
            number(f.stated.sd_over_rms(), 2),
            f.wanted - f.found.len(),
            f.wanted,
            verdict(f.reaches()),
        );
    }
    out.push('\n');
    out
}

fn joints(outcomes: &[&Outcome]) -> String {
    let mut out = String::from(
        "## Joint by joint\n\nMean distance, peak knee lift to release, as measured; mean and worst of the deliveries.\n\n\
         | joint | mean, mm | worst, mm |\n|---|---|---|\n",
    );
    for joint in Joint::ALL {
        let own: Vec<f64> = outcomes
            .iter()
            .filter_map(|o| o.per_joint_mm.get(joint.name()).copied())
            .collect();
        let worst = own.iter().copied().reduce(f64::max);
        let _ = writeln!(
            out,
            "| {} | {} | {} |",
            joint.name().replace('_', " "),
            number(mean(&own), 1),
            number(worst, 1)
        );
    }
    out.push('\n');
    out
}

fn deliveries(trials: &[&Trial]) -> String {
    let mut out = String::from(
        "## Delivery by delivery\n\n\
         | number | throws | style | body | phones | angle | exposure | others | joints, mm | contact, ms | release, ms | ball, % |\n\
         |---|---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    let mut sorted: BTreeMap<usize, &Trial> = BTreeMap::new();
    sorted.extend(trials.iter().map(|t| (t.scenario.number, *t)));
    for (number_of, trial) in sorted {
        let s = &trial.scenario;
        let _ = write!(
            out,
            "| {number_of} | {} | {} | {} | {} | {:.0} | 1/{:.0} | {} |",
            s.throws.name(),
            s.style,
            s.body,
            s.rig,
            s.angle_deg,
            1.0 / s.exposure_s[0],
            s.bystanders
        );
        let _ = match (&trial.outcome, &trial.refusal) {
            (Some(o), _) => {
                let event =
                    |name: EventName| o.events.get(name.id()).and_then(|e| e.error_s).map(|s| 1e3 * s);
                let ball = o.metrics.iter().find(|m| m.id == "ball_speed_m_s");
                let ball = ball.and_then(|m| Some(100.0 * (m.measured? / m.truth? - 1.0)));
                writeln!(
                    out,
                    " {:.1} | {} | {} | {} |",
                    o.joints.mean_mm,
                    number(event(EventName::FootContact), 1),
                    number(event(EventName::BallRelease), 1),
                    number(ball, 1)
                )
            }
            (None, refusal) => {
                let why = refusal.as_deref().unwrap_or_default().lines().next();
                writeln!(out, " refused: {} | | | |", why.unwrap_or_default())
            }
        };
    }
    out
}
