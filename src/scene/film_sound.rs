//! A film's sound track: AAC that begins at the film's zero.

use ffmpeg_next as av;

use crate::scene::encode::{FilmError, while_doing};
use crate::units::Seconds;

/// Mono sound for a film.
#[derive(Clone, Debug, PartialEq)]
pub struct FilmSound {
    /// Samples, -1 to 1.
    pub samples: Vec<f32>,
    /// Samples per second; 44 100 or 48 000.
    pub rate_hz: u32,
    /// Time of the first sample on the film's clock; rounded to a whole sample, what lies before zero is cut.
    pub start: Seconds,
}

/// The sound still to be encoded.
pub(in crate::scene) struct Sound {
    pub(in crate::scene) encoder: av::encoder::audio::Encoder,
    samples: Vec<f32>,
    pub(in crate::scene) rate_hz: u32,
    next: usize,
    ended: bool,
}

impl Sound {
    pub(in crate::scene) fn open(sound: &FilmSound) -> Result<Self, FilmError> {
        let codec = av::encoder::find_by_name("aac").ok_or(FilmError::NoEncoder { name: "aac" })?;
        let mut context = av::codec::Context::new_with_codec(codec);
        context.set_flags(av::codec::Flags::GLOBAL_HEADER);
        let failed = while_doing("opening the sound encoder");
        let mut encoder = context.encoder().audio().map_err(&failed)?;
        encoder.set_rate(sound.rate_hz as i32);
        encoder.set_format(av::format::Sample::F32(av::format::sample::Type::Planar));
        encoder.set_channel_layout(av::ChannelLayout::MONO);
        encoder.set_time_base((1, sound.rate_hz as i32));
        encoder.set_bit_rate(128_000);
        let encoder = encoder.open_as(codec).map_err(failed)?;
        // The track begins at zero: silence before the first sample, or samples cut off.
        let shift = (sound.start.0 * f64::from(sound.rate_hz)).round() as i64;
        let mut samples = vec![0.0; usize::try_from(shift).unwrap_or(0)];
        let cut = usize::try_from(-shift).unwrap_or(0).min(sound.samples.len());
        samples.extend_from_slice(&sound.samples[cut..]);
        Ok(Self {
            encoder,
            samples,
            rate_hz: sound.rate_hz,
            next: 0,
            ended: false,
        })
    }

    /// Sends one block, or the end; false when nothing is due before `until`.
    pub(in crate::scene) fn send_next(&mut self, until: Seconds) -> Result<bool, FilmError> {
        let failed = while_doing("encoding the sound");
        if self.ended || self.next as f64 / f64::from(self.rate_hz) > until.0 {
            return Ok(false);
        }
        if self.next >= self.samples.len() {
            // Before the pictures end, more sound is not to come either: the track is known whole.
            self.ended = true;
            self.encoder.send_eof().map_err(failed)?;
            return Ok(true);
        }
        let block = (self.encoder.frame_size().max(1) as usize).min(self.samples.len() - self.next);
        let mut frame = av::frame::Audio::new(
            av::format::Sample::F32(av::format::sample::Type::Planar),
            block,
            av::ChannelLayout::MONO,
        );
        frame.set_rate(self.rate_hz);
        frame.set_pts(Some(self.next as i64));
        let bytes = frame.data_mut(0).chunks_exact_mut(4);
        for (to, sample) in bytes.zip(&self.samples[self.next..self.next + block]) {
            to.copy_from_slice(&sample.to_ne_bytes());
        }
        self.next += block;
        self.encoder.send_frame(&frame).map_err(failed)?;
        Ok(true)
    }
}
