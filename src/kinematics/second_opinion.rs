//! Speeds by a second route: positions through a Butterworth filter at a chosen cut-off, then differences, as motion
//! laboratories do. Reported beside the first route's figures, never in their place.

use std::borrow::Cow;

use nalgebra::Vector3;

use crate::ball::Unseen;
use crate::quality::{Warning, Warnings};
use crate::skeleton::{Joint, PerJoint};
use crate::trajectory::{JointState, Trajectory};
use crate::units::Seconds;

use super::assemble::evaluate;
use super::butterworth::zero_phase;
use super::catalogue::catalogue;
use super::curves::{Curve, rows};
use super::delivery::{Delivery, Given};
use super::events::PerEvent;
use super::mirror;
use super::subject::Subject;

/// A second route to the speeds.
#[derive(Clone, Debug)]
pub struct SecondRoute {
    /// What passes with 71 % (-3 dB), hertz.
    pub cutoff_hz: f64,
    /// Positions as they were measured, at the trajectory's times; without them the trajectory's own are filtered.
    pub measured: Option<PerJoint<Vec<Option<Vector3<f64>>>>>,
}

/// One figure of the second route.
#[derive(Clone, Debug, PartialEq)]
pub struct SecondFigure {
    /// The metric's identifier.
    pub id: &'static str,
    /// Symbol of the unit.
    pub unit: &'static str,
    /// The value, or why there is none.
    pub value: Result<f64, String>,
}

/// Speeds by the second route, at the events of the first.
#[derive(Clone, Debug, PartialEq)]
pub struct SecondOpinion {
    /// The cut-off, hertz.
    pub cutoff_hz: f64,
    /// All speeds.
    pub metrics: Vec<SecondFigure>,
}

/// The second route's figures and curves.
pub(super) struct Second {
    pub(super) opinion: SecondOpinion,
    pub(super) curves: Vec<Curve>,
}

/// Takes the second route; `None`, with a warning, where the rate is too low for the cut-off.
pub(super) fn second_opinion(
    subject: &Subject,
    first: &Delivery<'_>,
    route: &SecondRoute,
    warnings: &mut Warnings,
) -> Option<Second> {
    let times = even_times(&subject.trajectory.times)?;
    let rate_hz = 1.0 / (times[1] - times[0]);
    if route.cutoff_hz >= 0.5 * rate_hz {
        warnings.add(Warning::new(
            "cutoff_too_high",
            format!(
                "no second opinion: a cut-off of {:.1} Hz is beyond half the rate of {rate_hz:.0} Hz",
                route.cutoff_hz
            ),
            "give a lower --cutoff-hz",
        ));
        return None;
    }
    let measured = route
        .measured
        .as_ref()
        .map(|m| mirror::per_joint(m, subject.throws));
    let trajectory = Trajectory {
        joints: PerJoint::from_fn(|joint| {
            let residuals = measured.as_ref().map(|m| residuals(subject, joint, &m[joint]));
            let raw: Vec<Option<Vector3<f64>>> = times
                .iter()
                .map(|t| {
                    let state = subject.trajectory.at(joint, Seconds(*t))?;
                    let residual = residuals
                        .as_ref()
                        .map_or_else(Vector3::zeros, |r| between(&subject.trajectory.times, r, *t));
                    Some(state.position_m + residual)
                })
                .collect();
            filtered(&raw, rate_hz, route.cutoff_hz)
        }),
        times: times.iter().map(|t| Seconds(*t)).collect(),
        world_known: subject.trajectory.world_known,
    };
    let given = Given {
        events: Some(PerEvent::from_fn(|e| first.events[e].as_ref().ok().copied())),
        ..Given::default()
    };
    let second = Delivery::new(
        subject.motion(&trajectory),
        subject.inertia(),
        subject.figures,
        Err(Unseen::NoPictures),
        &given,
    );
    // The ball's speed is no smoothed speed.
    let speeds = catalogue().filter(|d| d.unit.is_speed() && !d.joints.is_empty());
    let metrics = speeds.map(|definition| SecondFigure {
        id: definition.id,
        unit: definition.unit.symbol(),
        value: evaluate(definition, &second)
            .map(|reading| reading.value)
            .map_err(|why| why.to_string()),
    });
    let curves = rows(trajectory.world_known)
        .filter(|(id, unit, _)| matches!(*unit, "deg/s" | "m/s") && !id.contains("_velocity_"))
        .map(|(id, unit, figure)| Curve {
            id: Cow::Owned(format!("butterworth_{id}")),
            unit,
            values: subject
                .trajectory
                .times
                .iter()
                .map(|t| figure(&second, t.0).ok())
                .collect(),
        });
    Some(Second {
        opinion: SecondOpinion {
            cutoff_hz: route.cutoff_hz,
            metrics: metrics.collect(),
        },
        curves: curves.collect(),
    })
}

/// Even instants over the times' span, as dense as their median interval; `None` for fewer than two.
fn even_times(times: &[Seconds]) -> Option<Vec<f64>> {
    let mut steps: Vec<f64> = times.windows(2).map(|w| (w[1] - w[0]).0).collect();
    steps.sort_by(f64::total_cmp);
    let median_s = *steps.get(steps.len() / 2)?;
    let (first_s, span_s) = (times[0].0, (times[times.len() - 1] - times[0]).0);
    // A table with long pauses must not become a thousand times as long.
    let count = (span_s / median_s).round().clamp(1.0, 20.0 * times.len() as f64);
    Some(
        (0..=count as usize)
            .map(|i| first_s + span_s * i as f64 / count)
            .collect(),
    )
}

/// What the smoother took away from the measured positions (mirrored, as the motion is); nothing where nothing was
/// measured.
fn residuals(subject: &Subject, joint: Joint, measured: &[Option<Vector3<f64>>]) -> Vec<Vector3<f64>> {
    measured
        .iter()
        .zip(&subject.trajectory.joints[joint])
        .map(|(measured, state)| match (measured, state) {
            (Some(p), Some(s)) => mirror::vector(*p, subject.throws) - s.position_m,
            _ => Vector3::zeros(),
        })
        .collect()
}

/// Straight between samples.
fn between(times: &[Seconds], values: &[Vector3<f64>], time_s: f64) -> Vector3<f64> {
    let after = times.partition_point(|t| t.0 < time_s).clamp(1, times.len() - 1);
    let (from, to) = (times[after - 1].0, times[after].0);
    values[after - 1].lerp(&values[after], ((time_s - from) / (to - from)).clamp(0.0, 1.0))
}

/// Filters every stretch without a gap; velocity and acceleration are five-point differences.
fn filtered(raw: &[Option<Vector3<f64>>], rate_hz: f64, cutoff_hz: f64) -> Vec<Option<JointState>> {
    let mut states = vec![None; raw.len()];
    let mut start = 0;
    while start < raw.len() {
        let rest = &raw[start..];
        let length = rest.iter().position(Option::is_none).unwrap_or(rest.len());
        let stretch: Vec<Vector3<f64>> = raw[start..start + length].iter().flatten().copied().collect();
        let axes: Option<Vec<Vec<f64>>> = (0..3)
            .map(|axis| {
                let values: Vec<f64> = stretch.iter().map(|p| p[axis]).collect();
                zero_phase(&values, rate_hz, cutoff_hz)
            })
            .collect();
        if let Some(axes) = axes {
            let at = |i: usize| Vector3::new(axes[0][i], axes[1][i], axes[2][i]);
            for i in 2..length - 2 {
                let [far_before, before, now, after, far_after] = [0, 1, 2, 3, 4].map(|k| at(i + k - 2));
                states[start + i] = Some(JointState {
                    position_m: now,
                    velocity_m_s: ((after - before) * 8.0 - (far_after - far_before)) * (rate_hz / 12.0),
                    acceleration_m_s2: ((after + before) * 16.0 - now * 30.0 - (far_after + far_before))
                        * (rate_hz * rate_hz / 12.0),
                    sd_m: None,
                });
            }
        }
        start += length + 1;
    }
    states
}
