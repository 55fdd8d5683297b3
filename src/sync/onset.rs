//! Onsets of sounds: how suddenly a track grows louder, on a grid of milliseconds.

use crate::ingest::SoundTrack;

/// Steps of the grid per second.
pub(in crate::sync) const GRID_HZ: f64 = 1000.0;

/// How far back a rise is measured, grid steps.
const BACK: usize = 8;

/// Onset strength over time; step `k` covers the millisecond that begins `k / GRID_HZ` after the track's start.
///
/// Strength is the rise of the logarithm of the high-passed power over the mean of the milliseconds before, so that a
/// phone's gain and filter hardly matter. Power is counted above ten times the track's quiet level.
pub(in crate::sync) fn onsets(track: &SoundTrack) -> Vec<f64> {
    let steps = (track.samples.len() as f64 / track.rate_hz * GRID_HZ) as usize;
    let per_step = track.rate_hz / GRID_HZ;
    let power: Vec<f64> = (0..steps)
        .map(|k| {
            let from = ((k as f64 * per_step) as usize).max(1);
            let to = (((k + 1) as f64 * per_step) as usize).min(track.samples.len());
            let rise = |i: usize| f64::from(track.samples[i]) - 0.95 * f64::from(track.samples[i - 1]);
            (from..to).map(|i| rise(i).powi(2)).sum::<f64>() / per_step
        })
        .collect();
    let mut sorted = power.clone();
    sorted.sort_by(f64::total_cmp);
    let quiet = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let loudest = sorted.last().copied().unwrap_or(0.0);
    let floor = (10.0 * quiet).max(1e-6 * loudest).max(1e-14);
    let level: Vec<f64> = power.iter().map(|p| (1.0 + p / floor).ln()).collect();
    (0..steps)
        .map(|k| {
            let before = &level[k.saturating_sub(BACK)..k];
            if before.is_empty() {
                return 0.0;
            }
            let mean = before.iter().sum::<f64>() / before.len() as f64;
            (level[k] - mean).max(0.0)
        })
        .collect()
}

/// The strongest peaks of a curve, at least `apart` steps from each other, strongest first.
pub(in crate::sync) fn peaks(curve: &[f64], apart: usize, most: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..curve.len()).filter(|&k| curve[k] > 0.0).collect();
    order.sort_by(|&a, &b| curve[b].total_cmp(&curve[a]));
    let mut chosen: Vec<usize> = Vec::new();
    for k in order {
        if chosen.len() == most {
            break;
        }
        if chosen.iter().all(|&c| c.abs_diff(k) >= apart) {
            chosen.push(k);
        }
    }
    chosen
}
