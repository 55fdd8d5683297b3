//! Several offsets into one, and a word when they disagree.

use crate::quality::Warning;
use crate::sync::{ClockOffset, ClockSource, MotionOffset, SyncError};
use crate::units::Seconds;

/// Difference of two witnesses, in its own standard deviations, beyond which they disagree.
const DISAGREE_SD: f64 = 3.5;

/// Shortest span over which a drift is fitted, seconds: two good deliveries this far apart tell clocks that differ by
/// 30 millionths.
const MIN_DRIFT_SPAN_S: f64 = 20.0;

/// Joins what sound and motion say. When they disagree, motion is believed (a phone's delay between sound and picture
/// is unknown, its pictures are not) and the warning says so.
///
/// # Errors
/// [`SyncError::NoWitness`] with neither.
pub fn fuse(
    sound: Option<&ClockOffset>,
    motion: Option<&ClockOffset>,
) -> Result<(ClockOffset, Vec<Warning>), SyncError> {
    match (sound, motion) {
        (None, None) => Err(SyncError::NoWitness),
        (Some(only), None) => Ok((
            *only,
            vec![Warning::new(
                "clocks_from_sound_only",
                format!(
                    "The phones' clocks were matched by sound alone, to about {:.0} ms.",
                    only.sd_s * 1000.0
                ),
                "Fast motion smears: film the whole delivery with both phones, or give --offset-s.",
            )],
        )),
        (None, Some(only)) => Ok((*only, Vec::new())),
        (Some(sound), Some(motion)) => {
            let heard_s = sound.offset_at(motion.at).0;
            let apart_s = heard_s - motion.offset_s;
            let (vs, vm) = (sound.sd_s.powi(2), motion.sd_s.powi(2));
            if apart_s.abs() > DISAGREE_SD * (vs + vm).sqrt() {
                let warning = Warning::new(
                    "clocks_disagree",
                    format!(
                        "Sound puts the clocks {heard_s:.4} s apart and motion {:.4} s; motion is used.",
                        motion.offset_s
                    ),
                    "Clap in view of both phones before each recording, and check that both files are of it.",
                );
                return Ok((*motion, vec![warning]));
            }
            let joint = ClockOffset {
                offset_s: (heard_s * vm + motion.offset_s * vs) / (vs + vm),
                sd_s: (vs * vm / (vs + vm)).sqrt(),
                at: motion.at,
                drift: motion.drift,
                source: ClockSource::SoundAndMotion,
            };
            Ok((joint, Vec::new()))
        }
    }
}

/// Joins what the motion of several deliveries of one recording says. What the readouts leave open is alike in all of them
/// and is not averaged away.
///
/// # Errors
/// [`SyncError::NoWitness`] with none.
pub fn pool_deliveries(deliveries: &[MotionOffset]) -> Result<ClockOffset, SyncError> {
    let own: Vec<ClockOffset> = deliveries
        .iter()
        .map(|d| ClockOffset {
            sd_s: (d.clock.sd_s.powi(2) - d.readout_sd_s.powi(2)).max(0.0).sqrt(),
            ..d.clock
        })
        .collect();
    let mut pooled = pool(&own)?;
    let shared = deliveries.iter().map(|d| d.readout_sd_s).fold(0.0, f64::max);
    pooled.sd_s = pooled.sd_s.hypot(shared);
    Ok(pooled)
}

/// Joins offsets of several deliveries of one recording: their weighted mean, with a drift when they span long enough
/// and fix it. Offsets that disagree widen the doubt by the spread they show.
///
/// # Errors
/// [`SyncError::NoWitness`] with none.
pub fn pool(offsets: &[ClockOffset]) -> Result<ClockOffset, SyncError> {
    let Some(first) = offsets.first() else {
        return Err(SyncError::NoWitness);
    };
    let weight = |o: &ClockOffset| 1.0 / o.sd_s.max(1e-7).powi(2);
    let total: f64 = offsets.iter().map(weight).sum();
    let mean = |value: &dyn Fn(&ClockOffset) -> f64| -> f64 {
        offsets.iter().map(|o| weight(o) * value(o)).sum::<f64>() / total
    };
    let at_s = mean(&|o| o.at.0);
    let level = mean(&|o| o.offset_s);
    let spread = mean(&|o| (o.at.0 - at_s).powi(2));
    let slope = mean(&|o| (o.at.0 - at_s) * o.offset_s) / spread;
    let span_s = offsets
        .iter()
        .map(|o| (o.at - first.at).abs().0)
        .fold(0.0, f64::max);
    let fixed = span_s >= MIN_DRIFT_SPAN_S && offsets.len() >= 2;
    let drift = fixed.then_some(slope);
    let residual = |o: &ClockOffset| o.offset_s - level - drift.unwrap_or(0.0) * (o.at.0 - at_s);
    let free = offsets.len() as f64 - if fixed { 2.0 } else { 1.0 };
    let chi2: f64 = offsets.iter().map(|o| weight(o) * residual(o).powi(2)).sum();
    let inflation = if free > 0.0 {
        (chi2 / free).max(1.0).sqrt()
    } else {
        1.0
    };
    Ok(ClockOffset {
        offset_s: level,
        sd_s: inflation / total.sqrt(),
        at: Seconds(at_s),
        drift,
        source: first.source,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offset(offset_s: f64, sd_s: f64, at_s: f64, source: ClockSource) -> ClockOffset {
        ClockOffset {
            offset_s,
            sd_s,
            at: Seconds(at_s),
            drift: None,
            source,
        }
    }

    #[test]
    fn agreeing_witnesses_are_weighted_by_their_doubt() {
        let sound = offset(0.110, 0.02, 0.0, ClockSource::Sound);
        let motion = offset(0.100, 0.001, 5.0, ClockSource::Motion);
        let (both, warnings) = fuse(Some(&sound), Some(&motion)).unwrap();
        assert!(warnings.is_empty());
        assert!((both.offset_s - 0.100_024_9).abs() < 1e-6, "{both:?}");
        assert!(both.sd_s < 0.001 && both.source == ClockSource::SoundAndMotion);
    }

    #[test]
    fn disagreeing_witnesses_are_said_so_and_motion_wins() {
        let sound = offset(0.300, 0.02, 0.0, ClockSource::Sound);
        let motion = offset(0.100, 0.001, 5.0, ClockSource::Motion);
        let (both, warnings) = fuse(Some(&sound), Some(&motion)).unwrap();
        assert_eq!(both, motion);
        assert_eq!(warnings[0].code, "clocks_disagree");
        assert_eq!(fuse(None, None), Err(SyncError::NoWitness));
        assert_eq!(
            fuse(Some(&sound), None).unwrap().1[0].code,
            "clocks_from_sound_only"
        );
    }

    #[test]
    fn pooled_deliveries_give_the_drift() {
        let drift = 25e-6;
        let of = |t: f64| offset(0.2 + drift * (t - 60.0), 0.0004, t, ClockSource::Motion);
        let pooled = pool(&[of(10.0), of(60.0), of(150.0)]).unwrap();
        assert!((pooled.drift.unwrap() - drift).abs() < 1e-9);
        for t in [0.0, 60.0, 200.0] {
            assert!((pooled.offset_at(Seconds(t)).0 - (0.2 + drift * (t - 60.0))).abs() < 1e-9);
            let there = pooled.right_from_left(Seconds(t));
            assert!((pooled.left_from_right(there).0 - t).abs() < 1e-9);
        }
        let close = pool(&[of(10.0), of(11.0)]).unwrap();
        assert!(close.drift.is_none());
        let torn = pool(&[
            offset(0.1, 1e-4, 0.0, ClockSource::Motion),
            offset(0.11, 1e-4, 1.0, ClockSource::Motion),
        ]);
        assert!(torn.unwrap().sd_s > 3e-3);
    }
}
