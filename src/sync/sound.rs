//! Offset from two sound tracks: the same claps, heard by both phones.
//!
//! Coarse: correlation of onset strengths over all lags (milliseconds). Fine: around each common onset, correlation of
//! the waveforms with flattened spectra (GCC-PHAT; Knapp and Carter 1976), which does not care for the phones' gain and
//! little for their filters. Claps at one place agree; the largest group that agrees is taken. The way of the sound to
//! each phone is then taken out with the rig. What remains unknown is each phone's delay between sound and picture,
//! so the answer is a prior.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::geometry::{Phone, StereoRig, WorldPoint};
use crate::ingest::SoundTrack;
use crate::sync::onset::{GRID_HZ, onsets, peaks};
use crate::sync::{ClockOffset, ClockSource, SyncError};
use crate::units::Seconds;

/// Speed of sound in air at 20 degrees Celsius, metres per second (ISO 9613-1 gives 343.2).
const SPEED_OF_SOUND_M_S: f64 = 343.0;
/// Its relative standard deviation over playing weather: 0 to 35 degrees Celsius is 331 to 352 m/s.
const SPEED_OF_SOUND_REL_SD: f64 = 0.02;
/// Distance between the phones assumed when no rig is known, metres.
const FALLBACK_BASELINE_M: f64 = 8.0;
/// Least height of the best match over the spread of all, for an answer.
const MIN_SCORE: f64 = 8.0;
/// Share of the best match that a second one may reach.
const MAX_SECOND: f64 = 0.9;
/// Shortest usable track, seconds.
const MIN_LENGTH_S: f64 = 0.3;
/// Most onsets looked at closely.
const MOST_ONSETS: usize = 16;
/// Waveform looked at around an onset: how long before, and how long in all, seconds.
const BEFORE_S: f64 = 0.004;
const WINDOW_S: f64 = 0.03;
/// How far the fine lag may lie from the coarse one, seconds.
const FINE_REACH_S: f64 = 0.004;
/// Band in which phones hear claps, hertz.
const BAND_HZ: (f64, f64) = (300.0, 9000.0);
/// How finely the correlation is sampled, relative to the samples.
const UPSAMPLED: usize = 8;
/// Onsets within this of each other agree, seconds.
const AGREE_S: f64 = 0.0005;

/// The difference between the two phones in the delay of sound against picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AudioDelay {
    /// How much later, by its PTS, the left phone's sound is than the right's for one event seen at one time, seconds.
    pub difference_s: f64,
    /// Its standard deviation, seconds.
    pub sd_s: f64,
}

impl Default for AudioDelay {
    /// Unknown: makers keep sound and picture within about 20 ms, which viewers do not notice.
    fn default() -> Self {
        Self {
            difference_s: 0.0,
            sd_s: 0.020,
        }
    }
}

/// How far the sound travels to each phone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoundPaths {
    /// To the left phone, metres.
    pub left_m: f64,
    /// To the right phone, metres.
    pub right_m: f64,
    /// Standard deviation of their difference, metres.
    pub sd_m: f64,
}

impl SoundPaths {
    /// From a known place to both phones of a rig; `source_sd_m` is how well the place is known, per axis.
    #[must_use]
    pub fn from_rig(rig: &StereoRig, source: WorldPoint, source_sd_m: f64) -> Self {
        let to = |phone| rig.camera_from_world(phone).centre().0 - source.0;
        let (left, right) = (to(Phone::Left), to(Phone::Right));
        // Moving the source changes the difference by the difference of the two unit directions.
        let turn = (left.try_normalize(1e-9).unwrap_or_default()
            - right.try_normalize(1e-9).unwrap_or_default())
        .norm();
        Self {
            left_m: left.norm(),
            right_m: right.norm(),
            sd_m: turn * source_sd_m,
        }
    }
}

/// What is known beside the two tracks.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SoundOptions {
    /// The way of the claps; `None`: taken as equal, and doubted by the distance between the phones.
    pub paths: Option<SoundPaths>,
    /// Distance between the phones, metres, when `paths` is not known.
    pub baseline_m: Option<f64>,
    /// What is known of the phones' sound delays.
    pub delay: AudioDelay,
}

/// An offset found from sound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoundOffset {
    /// The offset of the picture clocks, corrected for paths and delays.
    pub clock: ClockOffset,
    /// The lag between the tracks as heard, seconds.
    pub heard_s: f64,
    /// Spread of the onsets that agree, seconds.
    pub spread_s: f64,
    /// How many agree.
    pub onsets: usize,
    /// How clear the match is: 1 minus the next match's share of the best, 0 to 1.
    pub confidence: f64,
}

/// Finds the lag between two sound tracks and from it the offset of the clocks.
///
/// # Errors
/// When a track is silent or short, when they share no clear sound, or when two lags fit about equally well.
pub fn offset_from_sound(
    left: &SoundTrack,
    right: &SoundTrack,
    options: &SoundOptions,
) -> Result<SoundOffset, SyncError> {
    usable("left", left)?;
    usable("right", right)?;
    let (left_onsets, right_onsets) = (onsets(left), onsets(right));
    let coarse = coarse_lag(&left_onsets, &right_onsets, (left.start - right.start).0)?;
    let heard = fine_lag(left, right, &left_onsets, &right_onsets, &coarse);
    let paths = options.paths.unwrap_or(SoundPaths {
        left_m: 0.0,
        right_m: 0.0,
        // Anything between minus and plus the baseline.
        sd_m: options.baseline_m.unwrap_or(FALLBACK_BASELINE_M) / 3.0_f64.sqrt(),
    });
    let longer_s = (paths.left_m - paths.right_m) / SPEED_OF_SOUND_M_S;
    let variance = heard.spread_s.powi(2) / heard.onsets.max(1) as f64
        + (paths.sd_m / SPEED_OF_SOUND_M_S).powi(2)
        + (longer_s * SPEED_OF_SOUND_REL_SD).powi(2)
        + options.delay.sd_s.powi(2);
    Ok(SoundOffset {
        clock: ClockOffset {
            offset_s: heard.lag_s - longer_s - options.delay.difference_s,
            sd_s: variance.sqrt(),
            at: heard.at,
            drift: None,
            source: ClockSource::Sound,
        },
        heard_s: heard.lag_s,
        spread_s: heard.spread_s,
        onsets: heard.onsets,
        confidence: 1.0 - coarse.second,
    })
}

fn usable(side: &'static str, track: &SoundTrack) -> Result<(), SyncError> {
    let peak = track.samples.iter().fold(0.0_f32, |m, s| m.max(s.abs()));
    let seconds = track.duration().0;
    if seconds < MIN_LENGTH_S || peak < 1e-4 {
        return Err(SyncError::NoUsableSound { side, seconds, peak });
    }
    Ok(())
}

/// The best lag of the onset strengths.
struct Coarse {
    /// Left step minus right step.
    steps: i64,
    /// The next best match's share of the best.
    second: f64,
}

fn coarse_lag(left: &[f64], right: &[f64], starts_apart_s: f64) -> Result<Coarse, SyncError> {
    let matches = cross_correlation(left, right);
    let n = matches.len() as i64;
    let score_of = |k: usize| matches[k];
    let best = (0..matches.len()).max_by(|&a, &b| score_of(a).total_cmp(&score_of(b)));
    let mean = matches.iter().sum::<f64>() / n as f64;
    let spread = (matches.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / n as f64).sqrt();
    let Some(best) = best.filter(|_| spread > 0.0) else {
        return Err(SyncError::SoundsUnlike {
            score: 0.0,
            needed: MIN_SCORE,
        });
    };
    let score = (matches[best] - mean) / spread;
    if score < MIN_SCORE {
        return Err(SyncError::SoundsUnlike {
            score,
            needed: MIN_SCORE,
        });
    }
    let far = (0.02 * GRID_HZ) as usize;
    let circular = |k: usize| k.abs_diff(best).min(matches.len() - k.abs_diff(best));
    let next = (0..matches.len())
        .filter(|&k| circular(k) > far)
        .max_by(|&a, &b| score_of(a).total_cmp(&score_of(b)))
        .unwrap_or(best);
    let second = if next == best {
        0.0
    } else {
        (matches[next] / matches[best]).max(0.0)
    };
    let signed = |k: usize| if k as i64 > n / 2 { k as i64 - n } else { k as i64 };
    if second > MAX_SECOND {
        let offset = |k: usize| signed(k) as f64 / GRID_HZ + starts_apart_s;
        return Err(SyncError::SoundAmbiguous {
            first_s: offset(best),
            second_s: offset(next),
        });
    }
    Ok(Coarse {
        steps: signed(best),
        second,
    })
}

/// `sum_k left[k + lag] right[k]` for all lags, negative ones at the end; the strengths are smeared over three steps so
/// that halves of a millisecond do not matter.
fn cross_correlation(left: &[f64], right: &[f64]) -> Vec<f64> {
    let n = (left.len() + right.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
    let spectrum = |onsets: &[f64]| {
        let mut time = vec![0.0; n];
        for (k, s) in onsets.iter().enumerate() {
            time[k] += s;
            time[(k + 1) % n] += 0.6 * s;
            time[(k + n - 1) % n] += 0.6 * s;
        }
        let mut spectrum = forward.make_output_vec();
        // The lengths are the plan's own; it cannot fail.
        let _ = forward.process(&mut time, &mut spectrum);
        spectrum
    };
    let (l, r) = (spectrum(left), spectrum(right));
    let mut product: Vec<Complex<f64>> = l.iter().zip(&r).map(|(a, b)| a * b.conj()).collect();
    real_ends(&mut product);
    let mut lags = inverse.make_output_vec();
    let _ = inverse.process(&mut product, &mut lags);
    lags
}

/// First and last bin of a real signal's spectrum have no imaginary part; rounding must not give them one.
fn real_ends(spectrum: &mut [Complex<f64>]) {
    if let Some(first) = spectrum.first_mut() {
        first.im = 0.0;
    }
    if let Some(last) = spectrum.last_mut() {
        last.im = 0.0;
    }
}

/// The lag between the tracks, left time minus right time of one sound.
struct Heard {
    lag_s: f64,
    spread_s: f64,
    onsets: usize,
    at: Seconds,
}

fn fine_lag(
    left: &SoundTrack,
    right: &SoundTrack,
    left_onsets: &[f64],
    right_onsets: &[f64],
    coarse: &Coarse,
) -> Heard {
    let common: Vec<f64> = (0..left_onsets.len())
        .map(|k| {
            let there = k as i64 - coarse.steps;
            let near = (there - 2..=there + 2)
                .filter_map(|j| usize::try_from(j).ok().and_then(|j| right_onsets.get(j)));
            left_onsets[k].min(near.fold(0.0, |m: f64, &s| m.max(s)))
        })
        .collect();
    let lag_s = coarse.steps as f64 / GRID_HZ + (left.start - right.start).0;
    // Each onset: when, lag, quality of its match.
    let onsets: Vec<(Seconds, f64, f64)> = peaks(&common, (0.06 * GRID_HZ) as usize, MOST_ONSETS)
        .into_iter()
        .filter_map(|k| {
            let at = left.start + Seconds(k as f64 / GRID_HZ);
            let (fine_s, quality) = waveform_lag(left, right, at, lag_s)?;
            Some((at, fine_s, quality * common[k]))
        })
        .collect();
    let agreeing = |centre: f64| onsets.iter().filter(move |o| (o.1 - centre).abs() <= AGREE_S);
    let weight = |centre: f64| agreeing(centre).map(|o| o.2).sum::<f64>();
    let Some(best) = onsets.iter().max_by(|a, b| weight(a.1).total_cmp(&weight(b.1))) else {
        return Heard {
            lag_s,
            spread_s: 1.0 / GRID_HZ,
            onsets: 1,
            at: left.start,
        };
    };
    let total = weight(best.1);
    let mean = agreeing(best.1).map(|o| o.1 * o.2).sum::<f64>() / total;
    let spread2 = agreeing(best.1).map(|o| (o.1 - mean).powi(2) * o.2).sum::<f64>() / total;
    let count = agreeing(best.1).count();
    Heard {
        lag_s: mean,
        // One onset tells nothing of the spread; a tenth of a millisecond is what phones' filters differ by.
        spread_s: spread2.sqrt().max(1e-4),
        onsets: count,
        at: Seconds(agreeing(best.1).map(|o| o.0.0 * o.2).sum::<f64>() / total),
    }
}

/// Lag of the waveforms around one onset, and how sharp the match is (0 to 1).
fn waveform_lag(left: &SoundTrack, right: &SoundTrack, at: Seconds, lag_s: f64) -> Option<(f64, f64)> {
    let rate = left.rate_hz;
    let n = (WINDOW_S * rate) as usize;
    let from = ((at - left.start).0 - BEFORE_S) * rate;
    let first = from.round().max(0.0);
    let l = left.samples.get(first as usize..first as usize + n)?;
    // The right track on the left one's sample grid, shifted by the coarse lag.
    let begin = left.time_of(first) - Seconds(lag_s);
    let r: Vec<f64> = (0..n)
        .map(|i| resampled(right, begin + Seconds(i as f64 / rate), rate))
        .collect();
    let l: Vec<f64> = l.iter().map(|&s| f64::from(s)).collect();
    let size = (2 * n).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(size);
    let inverse = planner.plan_fft_inverse(size * UPSAMPLED);
    let spectrum = |samples: &[f64]| {
        let mut time = vec![0.0; size];
        time[..n].copy_from_slice(samples);
        let mut spectrum = forward.make_output_vec();
        let _ = forward.process(&mut time, &mut spectrum);
        spectrum
    };
    let (ls, rs) = (spectrum(&l), spectrum(&r));
    let mut product = inverse.make_input_vec();
    let bin_hz = rate / size as f64;
    let energy = |s: &[Complex<f64>]| s.iter().map(|c| c.norm()).sum::<f64>() / s.len() as f64;
    let quiet = 0.05 * energy(&ls) * energy(&rs);
    let mut in_band = 0.0_f64;
    for (k, (a, b)) in ls.iter().zip(&rs).enumerate() {
        let hz = k as f64 * bin_hz;
        if hz >= BAND_HZ.0 && hz <= BAND_HZ.1 {
            let cross = a * b.conj();
            // Flattened where there is sound, faded where there is only noise.
            product[k] = cross / (cross.norm() + quiet);
            in_band += 2.0;
        }
    }
    let mut matches = inverse.make_output_vec();
    let _ = inverse.process(&mut product, &mut matches);
    let total = matches.len() as i64;
    let reach = (FINE_REACH_S * rate * UPSAMPLED as f64) as i64;
    let value = |k: i64| matches[k.rem_euclid(total) as usize];
    let best = (-reach..=reach).max_by(|&a, &b| value(a).total_cmp(&value(b)))?;
    let (before, top, after) = (value(best - 1), value(best), value(best + 1));
    let bend = before - 2.0 * top + after;
    let shift = if bend < 0.0 {
        0.5 * (before - after) / bend
    } else {
        0.0
    };
    let fine_s = lag_s + (best as f64 + shift) / (rate * UPSAMPLED as f64);
    Some((fine_s, (top / in_band.max(1.0)).clamp(0.0, 1.0)))
}

/// Half the length of the interpolating kernel, samples.
const KERNEL: i64 = 12;

/// A track's value at any time, by a sinc under a Hann window, cut off at the lower of the two rates' limits; zero
/// outside the track.
fn resampled(track: &SoundTrack, at: Seconds, to_rate_hz: f64) -> f64 {
    let place = (at - track.start).0 * track.rate_hz;
    let cutoff = (to_rate_hz / track.rate_hz).min(1.0);
    let middle = place.floor() as i64;
    (middle - KERNEL + 1..=middle + KERNEL)
        .filter_map(|i| {
            let sample = usize::try_from(i).ok().and_then(|i| track.samples.get(i))?;
            let x = place - i as f64;
            let phase = std::f64::consts::PI * x * cutoff;
            let sinc = if phase.abs() < 1e-9 {
                1.0
            } else {
                phase.sin() / phase
            };
            let hann = 0.5 + 0.5 * (std::f64::consts::PI * x / KERNEL as f64).cos();
            Some(f64::from(*sample) * sinc * hann * cutoff)
        })
        .sum()
}
