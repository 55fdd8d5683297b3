//! Figures of a network on labelled people.

use std::io::Write;

use twinmound::detect::Detection;
use twinmound::skeleton::Joint;

use crate::Failure;
use crate::people::Person;

/// Radii of the 50 % and the 90 % circle of a unit normal distribution in the plane.
pub(crate) const CIRCLE_50: f64 = 1.177_41;
pub(crate) const CIRCLE_90: f64 = 2.145_97;

/// Trunk lengths between the labels of a left and a right joint that can tell the sides apart.
const LEAST_APART: f64 = 0.1;

/// What a joint belongs to.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    /// Nose, eyes, ears.
    Head,
    /// Shoulder to wrist, hip to ankle.
    Limb,
    /// Heel and toes.
    Foot,
    /// What nobody labelled.
    Other,
}

/// The part of a joint.
pub(crate) fn part(joint: Joint) -> Part {
    match joint
        .name()
        .split_once('_')
        .map_or(joint.name(), |(_, rest)| rest)
    {
        "nose" | "eye" | "ear" => Part::Head,
        "shoulder" | "elbow" | "wrist" | "hip" | "knee" | "ankle" => Part::Limb,
        "heel" | "big_toe" | "small_toe" => Part::Foot,
        _ => Part::Other,
    }
}

/// One visible label against an answer.
pub(crate) struct Miss {
    joint: Joint,
    half: char,
    /// Distance in trunk lengths; none where the network gave nothing.
    distance: Option<f64>,
    /// Distance in standard deviations.
    deviations: Option<f64>,
}

/// All labels against one network's answers.
#[derive(Default)]
pub(crate) struct Score {
    misses: Vec<Miss>,
    /// Whether a pair of limb joints fits better as answered than with sides exchanged, by half.
    sides: Vec<(char, bool)>,
}

impl Score {
    /// Adds one person.
    pub(crate) fn add(&mut self, person: &Person, found: &Detection) {
        let Some(trunk_px) = person.trunk_px() else { return };
        for joint in Joint::ALL {
            let Some(label) = person.labels[joint].filter(|l| l.visible) else {
                continue;
            };
            let answer = found.joints[joint];
            let distance_px = answer.map(|a| a.at.distance_px(label.at));
            self.misses.push(Miss {
                joint,
                half: person.half,
                distance: distance_px.map(|d| d / trunk_px),
                deviations: distance_px.zip(answer).map(|(d, a)| d / a.sd_px),
            });
            if joint.name().starts_with("left_") && part(joint) == Part::Limb {
                let pair = [joint, joint.mirrored()];
                self.sides
                    .extend(side_right(person, found, pair, trunk_px).map(|right| (person.half, right)));
            }
        }
    }

    /// Prints one line a part of the body and half.
    pub(crate) fn print(&self, out: &mut impl Write) -> Result<(), Failure> {
        for half in ['A', 'B', '*'] {
            let here = |h: char| half == '*' || h == half;
            let groups: [(&str, &dyn Fn(Part) -> bool); 3] = [
                ("17 points", &|p| p == Part::Head || p == Part::Limb),
                ("12 limb joints", &|p| p == Part::Limb),
                ("feet", &|p| p == Part::Foot),
            ];
            for (name, belongs) in groups {
                let misses: Vec<&Miss> = self
                    .misses
                    .iter()
                    .filter(|m| here(m.half) && belongs(part(m.joint)))
                    .collect();
                let half_name = if half == '*' {
                    "both halves".to_owned()
                } else {
                    format!("half {half}")
                };
                write!(out, "  {half_name:<12} {name:<15} {}", line(&misses))?;
                if name == "17 points" {
                    let sides: Vec<bool> = self.sides.iter().filter(|s| here(s.0)).map(|s| s.1).collect();
                    let right = sides.iter().filter(|s| **s).count();
                    write!(
                        out,
                        "   sides {:.3} of {}",
                        right as f64 / sides.len() as f64,
                        sides.len()
                    )?;
                }
                writeln!(out)?;
            }
        }
        for kind in [
            "nose",
            "eye",
            "ear",
            "shoulder",
            "elbow",
            "wrist",
            "hip",
            "knee",
            "ankle",
            "heel",
            "big_toe",
            "small_toe",
        ] {
            let misses: Vec<&Miss> = self
                .misses
                .iter()
                .filter(|m| m.joint.name().ends_with(kind))
                .collect();
            writeln!(out, "  both halves  {kind:<15} {}", line(&misses))?;
        }
        Ok(())
    }
}

/// Whether the answers to a pair fit better as they are; none where the labels do not tell the sides apart.
fn side_right(person: &Person, found: &Detection, pair: [Joint; 2], trunk_px: f64) -> Option<bool> {
    let [a, b] = pair.map(|j| person.labels[j].filter(|l| l.visible));
    let (a, b) = (a?.at, b?.at);
    let [x, y] = pair.map(|j| found.joints[j]);
    let (x, y) = (x?.at, y?.at);
    let told = a.distance_px(b) >= LEAST_APART * trunk_px;
    told.then(|| x.distance_px(a) + y.distance_px(b) <= y.distance_px(a) + x.distance_px(b))
}

fn line(misses: &[&Miss]) -> String {
    if misses.is_empty() {
        return "no labels".to_owned();
    }
    let share = |count: usize, of: usize| count as f64 / of.max(1) as f64;
    let within = |limit: f64| {
        let near = misses
            .iter()
            .filter(|m| m.distance.is_some_and(|d| d < limit))
            .count();
        share(near, misses.len())
    };
    let mut distances: Vec<f64> = misses.iter().filter_map(|m| m.distance).collect();
    distances.sort_by(f64::total_cmp);
    let Some(median) = distances.get(distances.len() / 2) else {
        return format!("{:5} visible   not given", misses.len());
    };
    let deviations: Vec<f64> = misses.iter().filter_map(|m| m.deviations).collect();
    let inside = |limit: f64| {
        share(
            deviations.iter().filter(|d| **d < limit).count(),
            deviations.len(),
        )
    };
    format!(
        "{:5} visible   20 % {:.3}   10 % {:.3}   5 % {:.3}   median {:.3}   inside 50/90 % {:.2} {:.2}   > 4 sd {:.3}",
        misses.len(),
        within(0.2),
        within(0.1),
        within(0.05),
        median,
        inside(CIRCLE_50),
        inside(CIRCLE_90),
        1.0 - inside(4.0)
    )
}
