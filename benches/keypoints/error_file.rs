//! Errors on film become figures, a table and a data file.

use std::collections::BTreeMap;
use std::io::Write;

use serde::Serialize;
use twinmound::skeleton::Joint;

use crate::Failure;
use crate::films::{Filmed, PHASES, Sample};
use crate::score::{CIRCLE_50, CIRCLE_90};

/// The published threshold, pixels of a crop of 384 px.
const THRESHOLD_PX: f64 = 10.0;

/// Lags of the autocorrelation, seconds.
const LAGS_S: [f64; 4] = [0.004, 0.017, 0.05, 0.1];

/// Figures of a set of samples. Pixels are those of a 384 px high crop.
#[derive(Serialize)]
pub(crate) struct Figures {
    /// How many.
    samples: usize,
    /// Median distance.
    median_px: f64,
    /// Share within 10 px.
    within_10_px: f64,
    /// Root mean square over clips of the mean error's length; errors longer than 10 px count as 10 px.
    bias_px: f64,
    /// Mean error to the right and down over all clips; errors longer than 10 px count as 10 px.
    mean_px: [f64; 2],
    /// Standard deviation about each whole clip's mean, per axis; errors longer than 10 px count as 10 px.
    sd_px: f64,
    /// Of the error about its whole clip's mean, at the lags of the file's head; errors longer than 10 px count as 10 px.
    autocorrelation: Vec<f64>,
    /// Shares inside the ellipses that should hold 50 % and 90 %.
    inside_50: f64,
    inside_90: f64,
    /// Share beyond four standard deviations.
    beyond_4_sd: f64,
}

/// The data file.
#[derive(Serialize)]
struct ErrorFile {
    measured_on: String,
    network_sha256: String,
    films: Vec<String>,
    frames: usize,
    frames_without_athlete: usize,
    lags_s: [f64; 4],
    all: Figures,
    phases: BTreeMap<String, Figures>,
    joints: BTreeMap<String, Figures>,
    joints_by_phase: BTreeMap<String, BTreeMap<String, Figures>>,
}

impl Figures {
    /// Of samples of any joints; none without samples.
    fn of(samples: &[Sample], means: &ClipMeans, rate_hz: f64) -> Option<Self> {
        let count = samples.len() as f64;
        let lengths: Vec<f64> = samples
            .iter()
            .map(|s| s.error_px[0].hypot(s.error_px[1]))
            .collect();
        let mut sorted = lengths.clone();
        sorted.sort_by(f64::total_cmp);
        let share =
            |holds: &dyn Fn(usize) -> bool| (0..samples.len()).filter(|i| holds(*i)).count() as f64 / count;
        let median_px = *sorted.get(samples.len() / 2)?;
        let (sd_px, autocorrelation) = about(means, samples, rate_hz);
        let own = clip_means(samples);
        let clips = own.len() as f64;
        let mean_px = [0, 1].map(|axis| own.values().map(|m| m[axis]).sum::<f64>() / clips);
        let squares: f64 = own.values().map(|m| m[0].powi(2) + m[1].powi(2)).sum();
        let bias_px = (squares / clips).sqrt();
        let figures = Self {
            samples: samples.len(),
            median_px,
            within_10_px: share(&|i| lengths[i] < THRESHOLD_PX),
            bias_px,
            mean_px,
            sd_px,
            autocorrelation,
            inside_50: share(&|i| lengths[i] < CIRCLE_50 * samples[i].sd_px),
            inside_90: share(&|i| lengths[i] < CIRCLE_90 * samples[i].sd_px),
            beyond_4_sd: share(&|i| lengths[i] > 4.0 * samples[i].sd_px),
        };
        Some(figures.rounded())
    }

    fn rounded(self) -> Self {
        let round = |value: f64| (value * 1000.0).round() / 1000.0;
        Self {
            median_px: round(self.median_px),
            within_10_px: round(self.within_10_px),
            bias_px: round(self.bias_px),
            mean_px: self.mean_px.map(round),
            sd_px: round(self.sd_px),
            autocorrelation: self.autocorrelation.into_iter().map(round).collect(),
            inside_50: round(self.inside_50),
            inside_90: round(self.inside_90),
            beyond_4_sd: round(self.beyond_4_sd),
            ..self
        }
    }

    fn line(&self) -> String {
        let lags: Vec<String> = self.autocorrelation.iter().map(|r| format!("{r:5.2}")).collect();
        format!(
            "median {:5.2} px   within 10 px {:.3}   bias {:5.2} (right {:5.2}, down {:5.2})   sd {:5.2}   autocorrelation {}   inside 50/90 % {:.2} {:.2}   > 4 sd {:.3}",
            self.median_px,
            self.within_10_px,
            self.bias_px,
            self.mean_px[0],
            self.mean_px[1],
            self.sd_px,
            lags.join(" "),
            self.inside_50,
            self.inside_90,
            self.beyond_4_sd
        )
    }
}

/// Mean errors of each joint over each whole clip.
type ClipMeans = BTreeMap<(usize, Joint), [f64; 2]>;

/// The error, made no longer than the threshold.
fn shortened(sample: &Sample) -> [f64; 2] {
    let length = sample.error_px[0].hypot(sample.error_px[1]);
    let shorter = (THRESHOLD_PX / length).min(1.0);
    sample.error_px.map(|e| e * shorter)
}

fn clip_means(samples: &[Sample]) -> ClipMeans {
    let mut sums: BTreeMap<(usize, Joint), ([f64; 2], f64)> = BTreeMap::new();
    for sample in samples {
        let error = shortened(sample);
        let (sum, count) = sums.entry((sample.film, sample.joint)).or_default();
        *sum = [sum[0] + error[0], sum[1] + error[1]];
        *count += 1.0;
    }
    sums.into_iter()
        .map(|(key, (sum, count))| (key, sum.map(|s| s / count)))
        .collect()
}

/// Standard deviation and autocorrelation of each joint of each clip about the clip's mean.
fn about(means: &ClipMeans, samples: &[Sample], rate_hz: f64) -> (f64, Vec<f64>) {
    let mut paths: BTreeMap<(usize, Joint), BTreeMap<usize, [f64; 2]>> = BTreeMap::new();
    for sample in samples {
        let key = (sample.film, sample.joint);
        let (error, mean) = (shortened(sample), means.get(&key).copied().unwrap_or_default());
        let off = [error[0] - mean[0], error[1] - mean[1]];
        paths.entry(key).or_default().insert(sample.frame, off);
    }
    let (mut square, mut count) = (0.0, 0.0);
    let mut products = [(0.0, 0.0); LAGS_S.len()];
    for path in paths.values() {
        square += path.values().map(|e| e[0].powi(2) + e[1].powi(2)).sum::<f64>();
        count += 2.0 * path.len() as f64;
        for (lag_s, (sum, pairs)) in LAGS_S.iter().zip(&mut products) {
            let lag = (lag_s * rate_hz).round() as usize;
            for (frame, a) in path {
                if let Some(b) = path.get(&(frame + lag)) {
                    *sum += a[0] * b[0] + a[1] * b[1];
                    *pairs += 2.0;
                }
            }
        }
    }
    let variance: f64 = square / count;
    let correlation = products
        .iter()
        .map(|(sum, pairs)| {
            if *pairs > 0.0 && variance > 0.0 {
                sum / pairs / variance
            } else {
                0.0
            }
        })
        .collect();
    (variance.sqrt(), correlation)
}

fn chosen(filmed: &Filmed, holds: impl Fn(&Sample) -> bool) -> Option<Figures> {
    let samples: Vec<Sample> = filmed.samples.iter().filter(|s| holds(s)).copied().collect();
    Figures::of(&samples, &clip_means(&filmed.samples), filmed.rate_hz)
}

/// Prints the table: all, each phase, each joint.
pub(crate) fn print(filmed: &Filmed, out: &mut impl Write) -> Result<(), Failure> {
    writeln!(
        out,
        "  {}; {} frames, {} without the athlete; pixels of a 384 px high crop, hidden joints too; lags 4 17 50 100 ms",
        filmed.names.join("; "),
        filmed.frames,
        filmed.lost
    )?;
    let mut line = |name: &str, figures: Option<Figures>| match figures {
        Some(figures) => writeln!(out, "  {name:<18} {}", figures.line()),
        None => Ok(()),
    };
    line("all", chosen(filmed, |_| true))?;
    for (i, phase) in PHASES.into_iter().enumerate() {
        line(phase, chosen(filmed, |s| s.phase == i))?;
    }
    for joint in Joint::ALL {
        line(joint.name(), chosen(filmed, |s| s.joint == joint))?;
    }
    Ok(())
}

/// The data file's text.
///
/// # Errors
/// Without samples.
pub(crate) fn text(filmed: &Filmed, network_sha256: &str) -> Result<String, Failure> {
    let joints = |holds: &dyn Fn(&Sample) -> bool| -> BTreeMap<String, Figures> {
        Joint::ALL
            .into_iter()
            .filter_map(|j| Some((j.name().to_owned(), chosen(filmed, |s| s.joint == j && holds(s))?)))
            .collect()
    };
    let phases = PHASES.into_iter().enumerate();
    let file = ErrorFile {
        measured_on:
            "rendered recordings: films of the studio, whole deliveries, followed as `measure` follows them"
                .to_owned(),
        network_sha256: network_sha256.to_owned(),
        films: filmed.names.clone(),
        frames: filmed.frames,
        frames_without_athlete: filmed.lost,
        lags_s: LAGS_S,
        all: chosen(filmed, |_| true).ok_or("no joint was found in any film")?,
        phases: phases
            .clone()
            .filter_map(|(i, p)| Some((p.to_owned(), chosen(filmed, |s| s.phase == i)?)))
            .collect(),
        joints: joints(&|_| true),
        joints_by_phase: phases
            .map(|(i, p)| (p.to_owned(), joints(&|s| s.phase == i)))
            .collect(),
    };
    Ok(format!(
        "# Errors of models/athlete.onnx on film, for the stages that come after it. Written by `make keypoints-bench`.\n\
         # Pixels are those of a crop 384 px high whose person fills 0.8 of it. Meaning of the keys: benches/keypoints/error_file.rs\n{}",
        toml::to_string(&file)?
    ))
}
