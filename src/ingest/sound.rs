//! The sound track as mono samples on the clock of the pictures.

use ffmpeg_next as av;

use av::error::EAGAIN;
use av::format::Sample;

use crate::ingest::{ClipInfo, IngestError, Limits, TimeBase, probe};
use crate::quality::Warning;
use crate::units::Seconds;

/// Longest jump of the time stamps that is filled with silence; a longer one ends the track, seconds.
const MAX_HOLE_S: f64 = 30.0;

/// A clip's sound, mixed to one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct SoundTrack {
    /// Samples, about -1 to 1; holes in the file are silent, so that sample `i` is heard at `start + i / rate_hz`.
    pub samples: Vec<f32>,
    /// Samples per second of the clip's clock.
    pub rate_hz: f64,
    /// Time of the first sample on the clip's clock (the one of the frames).
    pub start: Seconds,
    /// What its reader should know.
    pub warnings: Vec<Warning>,
}

impl SoundTrack {
    /// Length of the track.
    #[must_use]
    pub fn duration(&self) -> Seconds {
        Seconds(self.samples.len() as f64 / self.rate_hz)
    }

    /// When a sample, or a place between two, is heard.
    #[must_use]
    pub fn time_of(&self, sample: f64) -> Seconds {
        self.start + Seconds(sample / self.rate_hz)
    }
}

/// Reads the sound track whole; `None` when there is none, or none that decodes.
pub(in crate::ingest) fn read(info: &ClipInfo, limits: Limits) -> Result<Option<SoundTrack>, IngestError> {
    let mut input = probe::open(&info.path)?;
    let Some(stream) = input.streams().best(av::media::Type::Audio) else {
        return Ok(None);
    };
    let failed = |source| IngestError::Decoder {
        path: info.path.clone(),
        doing: "opening the sound decoder",
        source,
    };
    let index = stream.index();
    let time_base = probe::time_base(&stream);
    let mut decoder = av::codec::Context::from_parameters(stream.parameters())
        .map_err(failed)?
        .decoder();
    // Needed so that skipped priming samples move the time stamps too.
    decoder.set_packet_time_base(stream.time_base());
    let Ok(mut decoder) = decoder.audio() else {
        return Ok(None);
    };
    let mut track = Track::new(limits.max_sound_s);
    let mut complaints = 0_usize;
    while !track.full && complaints < 10_000 {
        let mut packet = av::Packet::empty();
        match packet.read(&mut input) {
            Ok(()) if packet.stream() != index => continue,
            // A packet that does not decode leaves a hole, which the next time stamp shows.
            Ok(()) => complaints += usize::from(decoder.send_packet(&packet).is_err()),
            Err(av::Error::InvalidData) => {
                complaints += 1;
                continue;
            }
            Err(_) => {
                let _ = decoder.send_eof();
                track.drain(&mut decoder, time_base);
                break;
            }
        }
        track.drain(&mut decoder, time_base);
    }
    Ok(track.finish(info))
}

/// The samples gathered so far.
struct Track {
    samples: Vec<f32>,
    /// Samples per second in the file; 0 before the first frame.
    rate_hz: u32,
    start: Seconds,
    max_s: f64,
    full: bool,
}

impl Track {
    fn new(max_s: f64) -> Self {
        Self {
            samples: Vec::new(),
            rate_hz: 0,
            start: Seconds(0.0),
            max_s,
            full: false,
        }
    }

    fn drain(&mut self, decoder: &mut av::decoder::Audio, time_base: TimeBase) {
        let mut frame = av::frame::Audio::empty();
        loop {
            match decoder.receive_frame(&mut frame) {
                Ok(()) => self.add(&frame, time_base),
                Err(av::Error::Eof | av::Error::Other { errno: EAGAIN }) => return,
                Err(_) => {}
            }
            if self.full {
                return;
            }
        }
    }

    fn add(&mut self, frame: &av::frame::Audio, time_base: TimeBase) {
        if frame.samples() == 0 || frame.rate() == 0 {
            return;
        }
        if self.rate_hz == 0 {
            self.rate_hz = frame.rate();
            if let Some(ticks) = frame.timestamp() {
                self.start = time_base.seconds(ticks);
            }
        }
        if frame.rate() != self.rate_hz {
            self.full = true;
            return;
        }
        let rate = f64::from(self.rate_hz);
        if let Some(ticks) = frame.timestamp() {
            let due = ((time_base.seconds(ticks) - self.start).0 * rate).round();
            let hole = due - self.samples.len() as f64;
            if hole > MAX_HOLE_S * rate {
                self.full = true;
                return;
            }
            // Time stamps of coarse units jitter by a tick; only a real hole is filled.
            if hole > (rate * 0.002).max(1.0) {
                self.samples.resize(due as usize, 0.0);
            }
        }
        mix_into(frame, &mut self.samples);
        self.full = self.samples.len() as f64 > self.max_s * rate;
    }

    fn finish(self, info: &ClipInfo) -> Option<SoundTrack> {
        if self.samples.is_empty() {
            return None;
        }
        let mut warnings = Vec::new();
        if self.full {
            warnings.push(Warning::new(
                "sound_cut",
                format!(
                    "{}: only the first {:.0} s of the sound were read.",
                    info.path.display(),
                    self.samples.len() as f64 / f64::from(self.rate_hz)
                ),
                "Cut long recordings into parts, or go on: the clocks are also found from the motion.",
            ));
        }
        // Slow-motion files either stretch the sound with the pictures or keep it as long as the world's.
        let heard_s = self.samples.len() as f64 / f64::from(self.rate_hz);
        let played_s = info.duration.0 * info.slow_motion_factor;
        let stretched = heard_s * info.slow_motion_factor.sqrt() > played_s;
        let factor = if stretched { info.slow_motion_factor } else { 1.0 };
        Some(SoundTrack {
            samples: self.samples,
            rate_hz: f64::from(self.rate_hz) * factor,
            start: self.start / factor,
            warnings,
        })
    }
}

/// Appends the mean of a frame's channels.
fn mix_into(frame: &av::frame::Audio, out: &mut Vec<f32>) {
    let channels = usize::from(frame.channels());
    let bytes = frame.format().bytes();
    let (planar, convert): (bool, fn(&[u8]) -> f32) = match frame.format() {
        Sample::U8(_) => (frame.is_planar(), |b| (f32::from(b[0]) - 128.0) / 128.0),
        Sample::I16(_) => (frame.is_planar(), |b| {
            f32::from(i16::from_ne_bytes([b[0], b[1]])) / 32768.0
        }),
        Sample::I32(_) => (frame.is_planar(), |b| {
            (f64::from(i32::from_ne_bytes([b[0], b[1], b[2], b[3]])) / 2_147_483_648.0) as f32
        }),
        Sample::F32(_) => (frame.is_planar(), |b| {
            f32::from_ne_bytes([b[0], b[1], b[2], b[3]])
        }),
        Sample::F64(_) => (frame.is_planar(), |b| {
            f64::from_ne_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]) as f32
        }),
        Sample::I64(_) | Sample::None => return,
    };
    if channels == 0 || frame.planes() == 0 {
        return;
    }
    let value = |sample: usize, channel: usize| {
        let (plane, at) = if planar {
            (channel, sample * bytes)
        } else {
            (0, (sample * channels + channel) * bytes)
        };
        frame.data(plane).get(at..at + bytes).map_or(0.0, convert)
    };
    // A broken float track may hold infinities; silence is the honest value.
    let tame = |v: f32| if v.is_finite() { v } else { 0.0 };
    out.extend((0..frame.samples()).map(|s| {
        let sum: f32 = (0..channels).map(|c| tame(value(s, c))).sum();
        sum / channels as f32
    }));
}
