//! Measured against true, on this rendered recording.

use nalgebra::{Matrix3, Vector3};

use crate::demo::films::FilmedTruth;
use crate::demo::{DemoError, Studio};
use crate::geometry::Shutter;
use crate::kinematics::{EventName, PerEvent};
use crate::pipeline::MeasuredRecording;
use crate::quality::Status;
use crate::skeleton::{Joint, PerJoint};
use crate::units::Seconds;

/// One metric, measured and true.
#[derive(Clone, Debug, PartialEq)]
pub struct MetricPair {
    /// Identifier.
    pub id: String,
    /// Unit.
    pub unit: String,
    /// Measured, if it was.
    pub measured: Option<f64>,
    /// Its stated standard deviation.
    pub sd: Option<f64>,
    /// True, if the scene has it.
    pub truth: Option<f64>,
    /// How far the program trusts it.
    pub status: Status,
}

/// How far the measurement of a rendered recording is from its truth.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Mean distance of all joints, peak knee lift to release, millimetres.
    pub joint_mean_mm: f64,
    /// Median of the same.
    pub joint_median_mm: f64,
    /// Mean after the best rigid alignment of the whole delivery, millimetres.
    pub aligned_mean_mm: f64,
    /// Median of the same.
    pub aligned_median_mm: f64,
    /// Mean distance of each joint, millimetres; `None` for one that was never measured.
    pub per_joint_mm: PerJoint<Option<f64>>,
    /// Share of the joints in that time that were not measured.
    pub missing_share: f64,
    /// Measured minus true time of each event, seconds.
    pub event_errors_s: PerEvent<Option<f64>>,
    /// Measured minus true clock offset between the frames' middle instants, seconds.
    pub clock_error_s: f64,
    /// Every metric.
    pub metrics: Vec<MetricPair>,
}

impl Comparison {
    /// Compares the recording's first delivery.
    pub(crate) fn new(
        studio: &Studio,
        truth: &FilmedTruth,
        recording: &MeasuredRecording,
    ) -> Result<Self, DemoError> {
        let delivery = recording
            .deliveries
            .first()
            .ok_or(DemoError::NoTruth { what: "delivery" })?;
        let lift_s = match &truth.measures.events[EventName::PeakKneeLift] {
            Ok(event) => event.time_s.0,
            Err(_) => {
                return Err(DemoError::NoTruth {
                    what: "peak knee lift",
                });
            }
        };
        let mut pairs: Vec<(Joint, Vector3<f64>, Vector3<f64>)> = Vec::new();
        let (mut wanted, mut missing) = (0.0, 0.0);
        for (i, time) in delivery.trajectory.times.iter().enumerate() {
            if !(lift_s..=truth.release_s).contains(&time.0) {
                continue;
            }
            for joint in Joint::ALL {
                let Some(real) = truth.trajectory.at(joint, Seconds(time.0)) else {
                    continue;
                };
                wanted += 1.0;
                match delivery.trajectory.joints[joint][i] {
                    Some(state) => pairs.push((joint, state.position_m, real.position_m)),
                    None => missing += 1.0,
                }
            }
        }
        let raw: Vec<f64> = pairs.iter().map(|(_, a, b)| (a - b).norm() * 1e3).collect();
        let aligned = aligned_mm(&pairs);
        let per_joint_mm = PerJoint::from_fn(|joint| {
            let own: Vec<f64> = pairs
                .iter()
                .zip(&raw)
                .filter(|((j, _, _), _)| *j == joint)
                .map(|(_, d)| *d)
                .collect();
            (!own.is_empty()).then(|| mean(&own))
        });
        let event_errors_s = PerEvent::from_fn(|name| {
            let found = delivery.measures.events[name].as_ref().ok()?;
            let real = truth.measures.events[name].as_ref().ok()?;
            Some((found.time_s - real.time_s).0)
        });
        let metrics = delivery
            .measures
            .metrics
            .iter()
            .map(|m| MetricPair {
                id: m.id.to_owned(),
                unit: m.unit.to_owned(),
                measured: m.value,
                sd: m.sd,
                truth: truth.measures.metric(m.id).and_then(|t| t.value),
                status: m.status,
            })
            .collect();
        Ok(Self {
            joint_mean_mm: mean(&raw),
            joint_median_mm: median(&raw),
            aligned_mean_mm: mean(&aligned),
            aligned_median_mm: median(&aligned),
            per_joint_mm,
            missing_share: missing / f64::max(wanted, 1.0),
            event_errors_s,
            clock_error_s: clock_error_s(
                studio,
                truth,
                delivery.record.source.clock_offset_s.unwrap_or(0.0),
            ),
            metrics,
        })
    }
}

/// Row-0 clocks cannot be told apart from readout, so the offset is compared between middle instants.
fn clock_error_s(studio: &Studio, truth: &FilmedTruth, found_s: f64) -> f64 {
    let release = studio.phones[0].clock.scene_time_s(truth.release_s);
    let true_s = studio.clock_offset_s(release);
    let real = |i: usize| studio.phones[i].shutter().middle_delay().0;
    let assumed = |i: usize| {
        let camera = &studio.phones[i].camera;
        Shutter::unknown(camera.width_px, camera.height_px, studio.phones[i].turns)
            .middle_delay()
            .0
    };
    (found_s - assumed(0) + assumed(1)) - (true_s - real(0) + real(1))
}

/// Distances after the best rotation and shift of all measured points onto the true ones (Kabsch 1976), millimetres.
fn aligned_mm(pairs: &[(Joint, Vector3<f64>, Vector3<f64>)]) -> Vec<f64> {
    let count = pairs.len().max(1) as f64;
    let from: Vector3<f64> = pairs.iter().map(|p| p.1).sum::<Vector3<f64>>() / count;
    let to: Vector3<f64> = pairs.iter().map(|p| p.2).sum::<Vector3<f64>>() / count;
    let spread: Matrix3<f64> = pairs.iter().map(|p| (p.2 - to) * (p.1 - from).transpose()).sum();
    let svd = spread.svd(true, true);
    let (Some(u), Some(v_t)) = (svd.u, svd.v_t) else {
        return Vec::new();
    };
    let flip = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, (u * v_t).determinant().signum()));
    let turn = u * flip * v_t;
    pairs
        .iter()
        .map(|p| (turn * (p.1 - from) + to - p.2).norm() * 1e3)
        .collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}
