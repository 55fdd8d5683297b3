//! Several offsets into one, and a word when they disagree.

use crate::quality::Warning;
use crate::sync::{ClockOffset, ClockSource, MotionOffset, SyncError};
use crate::units::Seconds;

/// Difference of two witnesses, in its own standard deviations, beyond which they disagree.
const DISAGREE_SD: f64 = 3.5;

/// Shortest span over which a drift is fitted, seconds: two good deliveries this far apart tell clocks that differ by
/// 30 millionths.
const MIN_DRIFT_SPAN_S: f64 = 20.0;

/// Growth of two phones' clock offset, standard deviation, seconds per second (common practice, no source).
const DRIFT_SD: f64 = 25e-6;

/// Joins what the joints' motion and a dropped ball say; `None` with neither. The ball, seen some seconds before or after the
/// delivery, is as much less sure as the clocks may have drifted meanwhile; what the readouts leave open is alike in both.
/// When they disagree the ball is believed: it is placed better than a joint, and the warning says so.
#[must_use]
pub fn fuse_pictures(
    motion: Option<&MotionOffset>,
    drop: Option<&MotionOffset>,
) -> Option<(ClockOffset, Vec<Warning>)> {
    let (motion, drop) = match (motion, drop) {
        (None, None) => return None,
        (Some(motion), None) => return Some((motion.clock, Vec::new())),
        (None, Some(drop)) => return Some((dropped(drop), Vec::new())),
        (Some(motion), Some(drop)) => (motion, drop),
    };
    let at = motion.clock.at;
    let drifted_s = DRIFT_SD * (at - drop.clock.at).abs().0;
    let ball = ClockOffset {
        sd_s: drop.clock.sd_s.hypot(drifted_s),
        at,
        ..dropped(drop)
    };
    let apart_s = ball.offset_s - motion.clock.offset_s;
    if apart_s.abs() > DISAGREE_SD * ball.sd_s.hypot(motion.clock.sd_s) {
        let warning = Warning::new(
            "clocks_disagree",
            format!(
                "The dropped ball puts the clocks {:.4} s apart and the delivery's motion {:.4} s; the ball is used.",
                ball.offset_s, motion.clock.offset_s
            ),
            "Drop the ball again where both phones see it bounce, away from people, and check that no phone was moved since the calibration.",
        );
        return Some((ball, vec![warning]));
    }
    let weights = [1.0 / motion.clock.sd_s.powi(2), 1.0 / ball.sd_s.powi(2)];
    let total: f64 = weights.iter().sum();
    let [of_motion, of_ball] = weights.map(|w| w / total);
    let own = |sd_s: f64, readout_sd_s: f64| (sd_s * sd_s - readout_sd_s * readout_sd_s).max(0.0);
    let apart = of_motion.powi(2) * own(motion.clock.sd_s, motion.readout_sd_s)
        + of_ball.powi(2) * own(ball.sd_s, drop.readout_sd_s);
    let alike_s = of_motion * motion.readout_sd_s + of_ball * drop.readout_sd_s;
    let joint = ClockOffset {
        offset_s: of_motion * motion.clock.offset_s + of_ball * ball.offset_s,
        sd_s: apart.sqrt().hypot(alike_s),
        at,
        drift: None,
        source: ClockSource::DropAndMotion,
    };
    Some((joint, Vec::new()))
}

fn dropped(drop: &MotionOffset) -> ClockOffset {
    ClockOffset {
        source: ClockSource::Drop,
        ..drop.clock
    }
}

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
            let (seen, source) = match motion.source {
                ClockSource::Drop | ClockSource::DropAndMotion => ("the dropped ball", motion.source),
                _ => ("motion", ClockSource::SoundAndMotion),
            };
            let (vs, vm) = (sound.sd_s.powi(2), motion.sd_s.powi(2));
            if apart_s.abs() > DISAGREE_SD * (vs + vm).sqrt() {
                let warning = Warning::new(
                    "clocks_disagree",
                    format!(
                        "Sound puts the clocks {heard_s:.4} s apart and {seen} {:.4} s; {seen} is used.",
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
                source,
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

    fn seen(clock: ClockOffset, readout_sd_s: f64) -> MotionOffset {
        MotionOffset {
            clock,
            readout_sd_s,
            samples: 100,
            residual_px: 0.4,
            residual_scale: 1.0,
            colour_share: 0.5,
            colour_tau_s: 0.02,
        }
    }

    #[test]
    fn a_dropped_ball_decides_beside_the_motion_and_alone() {
        let motion = seen(offset(0.1004, 0.0005, 8.0, ClockSource::Motion), 0.0001);
        let ball = seen(offset(0.1000, 0.0001, 2.0, ClockSource::Motion), 0.00005);
        let (both, said) = fuse_pictures(Some(&motion), Some(&ball)).unwrap();
        assert!(said.is_empty());
        assert_eq!((both.source, both.at), (ClockSource::DropAndMotion, Seconds(8.0)));
        // Six seconds of drift make the ball's doubt 0.18 ms; the readouts' part is not averaged away.
        assert!(both.offset_s > 0.1 && both.offset_s < 0.100_1, "{both:?}");
        assert!(both.sd_s < 0.000_18 && both.sd_s > 0.000_16, "{both:?}");
        let (alone, _) = fuse_pictures(None, Some(&ball)).unwrap();
        assert_eq!(alone.source, ClockSource::Drop);
        assert!(fuse_pictures(None, None).is_none());
        let sound = offset(0.110, 0.02, 0.0, ClockSource::Sound);
        assert_eq!(
            fuse(Some(&sound), Some(&alone)).unwrap().0.source,
            ClockSource::Drop
        );
    }

    #[test]
    fn a_ball_that_contradicts_the_motion_is_said_so_and_wins() {
        let motion = seen(offset(0.1040, 0.0005, 8.0, ClockSource::Motion), 0.0);
        let ball = seen(offset(0.1000, 0.0001, 7.0, ClockSource::Motion), 0.0);
        let (both, said) = fuse_pictures(Some(&motion), Some(&ball)).unwrap();
        assert!((both.offset_s - 0.1).abs() < 1e-12);
        assert_eq!(said[0].code, "clocks_disagree");
        assert!(said[0].text.contains("ball is used"), "{said:?}");
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
