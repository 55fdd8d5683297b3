//! Measured against true, on this rendered recording.

use nalgebra::{Matrix3, Vector3};

use crate::demo::films::FilmedTruth;
use crate::demo::{DemoError, Studio};
use crate::geometry::Shutter;
use crate::kinematics::{EventName, Options, PerEvent, measure};
use crate::pipeline::{MeasuredDelivery, MeasuredRecording};
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
    /// Measured at the true events instead of those found.
    pub with_true_events: Option<f64>,
    /// How far the program trusts it.
    pub status: Status,
    /// Why it does not, or not fully.
    pub reason: Option<String>,
}

/// How far the measurement of a rendered recording is from its truth.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Whether the throwing hand was found right.
    pub hand_found: bool,
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
    /// Share of their coordinates whose error lies within the stated 90 % interval.
    pub within_90_share: f64,
    /// Median stated standard deviation of a coordinate over the root mean square of its errors.
    pub sd_over_rms: f64,
    /// Measured minus true time of each event, seconds.
    pub event_errors_s: PerEvent<Option<f64>>,
    /// Why an event was not found.
    pub event_reasons: PerEvent<Option<String>>,
    /// Stated standard deviation of each event found, seconds.
    pub event_sds_s: PerEvent<Option<f64>>,
    /// Stated standard deviation of the clock offset, seconds.
    pub clock_sd_s: Option<f64>,
    /// Measured minus true clock offset between the frames' middle instants, seconds.
    pub clock_error_s: f64,
    /// Every metric.
    pub metrics: Vec<MetricPair>,
}

impl Comparison {
    /// Compares the recording's delivery about the true release, or its first.
    pub(crate) fn new(
        studio: &Studio,
        truth: &FilmedTruth,
        recording: &MeasuredRecording,
    ) -> Result<Self, DemoError> {
        let about_release = |delivery: &&MeasuredDelivery| {
            let span = delivery.trajectory.span();
            span.is_some_and(|(from, to)| (from.0..=to.0).contains(&truth.release_s))
        };
        let deliveries = &recording.deliveries;
        let delivery = deliveries
            .iter()
            .find(about_release)
            .or(deliveries.first())
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
        let mut doubts = Doubts::default();
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
                    Some(state) => {
                        doubts.add(state.position_m - real.position_m, state.sd_m);
                        pairs.push((joint, state.position_m, real.position_m));
                    }
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
        let event_sds_s = PerEvent::from_fn(|name| {
            let event = delivery.measures.events[name].as_ref().ok()?;
            event.sd_s.map(|sd| sd.0)
        });
        let at_true_events = measure(
            &delivery.trajectory,
            &studio.athlete(),
            &Options {
                events: Some(PerEvent::from_fn(|name| {
                    truth.measures.events[name].as_ref().ok().copied()
                })),
                ..Options::without_doubt()
            },
        );
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
                with_true_events: at_true_events.metric(m.id).and_then(|t| t.value),
                status: m.status,
                reason: m.reason.clone(),
            })
            .collect();
        Ok(Self {
            hand_found: delivery.measures.throws == studio.delivery.throws(),
            joint_mean_mm: mean(&raw),
            joint_median_mm: median(&raw),
            aligned_mean_mm: mean(&aligned),
            aligned_median_mm: median(&aligned),
            per_joint_mm,
            missing_share: missing / f64::max(wanted, 1.0),
            within_90_share: doubts.within_90_share(),
            sd_over_rms: doubts.sd_over_rms(),
            event_errors_s,
            event_sds_s,
            event_reasons: PerEvent::from_fn(|name| {
                let event = delivery.measures.events[name].as_ref();
                event.err().map(ToString::to_string)
            }),
            clock_sd_s: delivery.record.source.clock_offset_sd_s,
            clock_error_s: clock_error_s(
                studio,
                truth,
                delivery.record.source.clock_offset_s.unwrap_or(0.0),
            ),
            metrics,
        })
    }
}

/// Half the width of a 90 % interval, in standard deviations of a normal error.
pub(crate) const HALF_OF_90: f64 = 1.645;

/// Errors of coordinates against what was stated of them.
#[derive(Default)]
struct Doubts {
    stated: f64,
    within: f64,
    squares: f64,
    sds: Vec<f64>,
}

impl Doubts {
    fn add(&mut self, error_m: Vector3<f64>, sd_m: Option<f64>) {
        let Some(sd_m) = sd_m else { return };
        self.stated += 3.0;
        self.within += error_m.iter().filter(|e| e.abs() <= HALF_OF_90 * sd_m).count() as f64;
        self.squares += error_m.norm_squared();
        self.sds.push(sd_m);
    }

    fn within_90_share(&self) -> f64 {
        self.within / self.stated.max(1.0)
    }

    fn sd_over_rms(&self) -> f64 {
        let rms = (self.squares / self.stated.max(1.0)).sqrt();
        if rms > 0.0 { median(&self.sds) / rms } else { 0.0 }
    }
}

/// Row-0 clocks cannot be told apart from readout, so the offset is compared between middle instants.
fn clock_error_s(studio: &Studio, truth: &FilmedTruth, found_s: f64) -> f64 {
    found_s - right_offset_s(studio, truth.release_s)
}

/// The clock offset that brings the middle instants together at release, for one who does not know the shutters.
pub(crate) fn right_offset_s(studio: &Studio, release_s: f64) -> f64 {
    let release = studio.phones[0].clock.scene_time_s(release_s);
    let true_s = studio.clock_offset_s(release);
    let real = |i: usize| studio.phones[i].shutter().middle_delay().0;
    let assumed = |i: usize| {
        let camera = &studio.phones[i].camera;
        Shutter::unknown(camera.width_px, camera.height_px, studio.phones[i].turns)
            .middle_delay()
            .0
    };
    true_s - real(0) + real(1) + assumed(0) - assumed(1)
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
