//! Pictures and sound into a real video file, as a phone would write it.
//!
//! H.264 (or HEVC) in MP4 or MOV with AAC sound. Time stamps are kept to two microseconds and the edit list hides the
//! sound encoder's priming, so that a reader gets back the times that were pushed. The file appears under its name
//! only when whole.

use std::fs;
use std::path::{Path, PathBuf};

use ffmpeg_next as av;

use av::error::EAGAIN;

use crate::geometry::QuarterTurns;
use crate::picture::{ColourMatrix, Grey, Picture};
use crate::scene::track_header;
use crate::units::Seconds;

/// Ticks per second that the video track's time unit reaches at least: two microseconds a tick.
const MIN_TICKS_HZ: u32 = 480_000;

/// How far the sound is written ahead of the pictures, so that the muxer interleaves them.
const SOUND_AHEAD: Seconds = Seconds(0.5);

/// Why a film could not be written.
#[derive(Debug, thiserror::Error)]
pub enum FilmError {
    /// The installed library lacks an encoder.
    #[error("the encoder {name} is not in the installed libavcodec; install Debian's ffmpeg packages")]
    NoEncoder {
        /// The library's name of it.
        name: &'static str,
    },
    /// A picture of another size than announced, or with planes that do not fit together.
    #[error("a picture of {width} x {height} pixels does not fit a film of {film_width} x {film_height}")]
    PictureSize {
        /// The picture's width.
        width: usize,
        /// The picture's height.
        height: usize,
        /// The film's width.
        film_width: usize,
        /// The film's height.
        film_height: usize,
    },
    /// A size or a rate that the codec cannot take.
    #[error("a film needs even sides and a positive rate, not {width} x {height} at {rate_num}/{rate_den}")]
    Shape {
        /// Width, pixels.
        width: usize,
        /// Height, pixels.
        height: usize,
        /// Rate, numerator.
        rate_num: u32,
        /// Rate, denominator.
        rate_den: u32,
    },
    /// Films are tagged BT.709, broadcast range; the picture is not.
    #[error("films are BT.709 in broadcast range; the picture is {matrix:?}, full range {full_range}")]
    Colour {
        /// The picture's matrix.
        matrix: ColourMatrix,
        /// The picture's range.
        full_range: bool,
    },
    /// A time before zero, or not after the one before.
    #[error("the time {pts_s} s of a picture is negative or does not come after {last_s:?} s")]
    Backwards {
        /// The picture's time, seconds.
        pts_s: f64,
        /// The time of the picture before, seconds.
        last_s: Option<f64>,
    },
    /// The disk refused.
    #[error("{}: cannot be written ({source}); check the folder and the space on the disk", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the machine said.
        source: std::io::Error,
    },
    /// The encoding library failed.
    #[error("{doing} failed: {source}")]
    Encoder {
        /// What was being done.
        doing: &'static str,
        /// What the library said.
        source: av::Error,
    },
}

/// Turns a library error into ours, saying what was being done.
fn while_doing(doing: &'static str) -> impl Fn(av::Error) -> FilmError {
    move |source| FilmError::Encoder { doing, source }
}

/// Video codec of a film.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FilmCodec {
    /// H.264 by libx264.
    #[default]
    H264,
    /// HEVC by libx265.
    Hevc,
}

/// How to encode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FilmOptions {
    /// The codec.
    pub codec: FilmCodec,
    /// Constant rate factor: 18 looks lossless, 28 is coarse.
    pub crf: u8,
    /// How a player turns the stored pictures to display them. The pictures pushed are the sensor's, not turned.
    pub turns: QuarterTurns,
}

impl Default for FilmOptions {
    fn default() -> Self {
        Self {
            codec: FilmCodec::H264,
            crf: 20,
            turns: QuarterTurns::Zero,
        }
    }
}

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

/// Writes one film; [`FilmWriter::finish`] makes it appear.
pub struct FilmWriter {
    path: PathBuf,
    temporary: PathBuf,
    /// `None` once closed.
    output: Option<av::format::context::Output>,
    video: av::encoder::video::Encoder,
    sound: Option<Sound>,
    options: FilmOptions,
    size: (usize, usize),
    ticks_hz: u32,
    frame_ticks: i64,
    last: Option<i64>,
}

impl FilmWriter {
    /// Begins a film of stored size `width` x `height` (even numbers). `rate` (numerator, denominator; hertz) sets the
    /// time unit and the encoder's rate control; the times themselves come with each picture.
    ///
    /// # Errors
    /// When an encoder is missing, the shape is odd, or the file cannot be begun.
    pub fn create(
        path: &Path,
        width: usize,
        height: usize,
        rate: (u32, u32),
        sound: Option<&FilmSound>,
        options: FilmOptions,
    ) -> Result<Self, FilmError> {
        let ticks_hz = match rate {
            (n, d) if n > 0 && d > 0 && n <= 1_000_000 => n * MIN_TICKS_HZ.div_ceil(n),
            _ => 0,
        };
        let even = |side: usize| side > 0 && side.is_multiple_of(2) && side <= 16_384;
        if ticks_hz == 0 || !even(width) || !even(height) {
            return Err(FilmError::Shape {
                width,
                height,
                rate_num: rate.0,
                rate_den: rate.1,
            });
        }
        av::log::set_level(av::log::Level::Quiet);
        let temporary = temporary_beside(path);
        // The library says little about files that it cannot create; the standard library says it plainly.
        fs::File::create(&temporary).map_err(|source| FilmError::Disk {
            path: temporary.clone(),
            source,
        })?;
        let mut output = av::format::output(&temporary).map_err(while_doing("opening the file to write"))?;
        let video = open_video(width, height, rate, ticks_hz, options)?;
        output
            .add_stream_with(&video)
            .map_err(while_doing("adding the video track"))?
            .set_time_base((1, ticks_hz as i32));
        let sound = sound.map(Sound::open).transpose()?;
        if let Some(sound) = &sound {
            output
                .add_stream_with(&sound.encoder)
                .map_err(while_doing("adding the sound track"))?
                .set_time_base((1, sound.rate_hz as i32));
        }
        let mut header = av::Dictionary::new();
        // Both units fine enough that an edit list which delays the first picture keeps its time.
        header.set("video_track_timescale", &ticks_hz.to_string());
        header.set("movie_timescale", &ticks_hz.to_string());
        output
            .write_header_with(header)
            .map_err(while_doing("writing the header"))?;
        Ok(Self {
            path: path.to_owned(),
            temporary,
            output: Some(output),
            video,
            sound,
            options,
            size: (width, height),
            ticks_hz,
            frame_ticks: i64::from(ticks_hz) * i64::from(rate.1) / i64::from(rate.0),
            last: None,
        })
    }

    /// Adds the next picture, as the sensor stores it.
    ///
    /// # Errors
    /// When its size, colour or time does not fit, or the encoder fails.
    pub fn push(&mut self, picture: &Picture, pts: Seconds) -> Result<(), FilmError> {
        let frame = self.video_frame(picture, pts)?;
        self.video
            .send_frame(&frame)
            .map_err(while_doing("encoding a picture"))?;
        self.write_video_packets()?;
        self.write_sound_until(pts + SOUND_AHEAD)
    }

    /// Ends the film and gives it its name.
    ///
    /// # Errors
    /// When the rest cannot be encoded or written.
    pub fn finish(mut self) -> Result<(), FilmError> {
        self.video
            .send_eof()
            .map_err(while_doing("ending the pictures"))?;
        self.write_video_packets()?;
        self.write_sound_until(Seconds(f64::INFINITY))?;
        if let Some(mut output) = self.output.take() {
            output.write_trailer().map_err(while_doing("ending the file"))?;
        }
        let on_disk = |source| FilmError::Disk {
            path: self.path.clone(),
            source,
        };
        track_header::set_turns(&self.temporary, self.options.turns).map_err(on_disk)?;
        fs::rename(&self.temporary, &self.path).map_err(on_disk)
    }

    fn video_frame(&mut self, picture: &Picture, pts: Seconds) -> Result<av::frame::Video, FilmError> {
        let (width, height) = self.size;
        let half = (width / 2, height / 2);
        let fits = |plane: &Grey, size: (usize, usize)| {
            (plane.width, plane.height) == size && plane.data.len() == size.0 * size.1
        };
        if !fits(&picture.luma, self.size) || !fits(&picture.cb, half) || !fits(&picture.cr, half) {
            return Err(FilmError::PictureSize {
                width: picture.width(),
                height: picture.height(),
                film_width: width,
                film_height: height,
            });
        }
        if picture.full_range || picture.matrix != ColourMatrix::Bt709 {
            return Err(FilmError::Colour {
                matrix: picture.matrix,
                full_range: picture.full_range,
            });
        }
        let ticks = (pts.0 * f64::from(self.ticks_hz)).round() as i64;
        if !pts.0.is_finite() || ticks < 0 || self.last.is_some_and(|last| ticks <= last) {
            return Err(FilmError::Backwards {
                pts_s: pts.0,
                last_s: self.last.map(|last| last as f64 / f64::from(self.ticks_hz)),
            });
        }
        self.last = Some(ticks);
        let mut frame = av::frame::Video::new(av::format::Pixel::YUV420P, width as u32, height as u32);
        for (i, plane) in [&picture.luma, &picture.cb, &picture.cr].into_iter().enumerate() {
            let stride = frame.stride(i);
            let rows = frame.data_mut(i).chunks_mut(stride);
            for (to, from) in rows.zip(plane.data.chunks(plane.width)) {
                to[..plane.width].copy_from_slice(from);
            }
        }
        frame.set_color_space(av::color::Space::BT709);
        frame.set_color_range(av::color::Range::MPEG);
        frame.set_pts(Some(ticks));
        Ok(frame)
    }

    fn write_video_packets(&mut self) -> Result<(), FilmError> {
        let base = av::Rational(1, self.ticks_hz as i32);
        loop {
            let mut packet = av::Packet::empty();
            match self.video.receive_packet(&mut packet) {
                Ok(()) => {
                    packet.set_duration(self.frame_ticks);
                    write(&mut self.output, packet, 0, base)?;
                }
                Err(av::Error::Eof | av::Error::Other { errno: EAGAIN }) => return Ok(()),
                Err(error) => return Err(while_doing("encoding a picture")(error)),
            }
        }
    }

    fn write_sound_until(&mut self, until: Seconds) -> Result<(), FilmError> {
        let Some(sound) = self.sound.as_mut() else {
            return Ok(());
        };
        let base = av::Rational(1, sound.rate_hz as i32);
        while sound.send_next(until)? {
            loop {
                let mut packet = av::Packet::empty();
                match sound.encoder.receive_packet(&mut packet) {
                    Ok(()) => write(&mut self.output, packet, 1, base)?,
                    Err(av::Error::Eof | av::Error::Other { errno: EAGAIN }) => break,
                    Err(error) => return Err(while_doing("encoding the sound")(error)),
                }
            }
        }
        Ok(())
    }
}

impl Drop for FilmWriter {
    /// A film that was not finished leaves nothing behind.
    fn drop(&mut self) {
        self.output = None;
        // Gone already when the film was finished.
        let _ = fs::remove_file(&self.temporary);
    }
}

fn write(
    output: &mut Option<av::format::context::Output>,
    mut packet: av::Packet,
    stream: usize,
    base: av::Rational,
) -> Result<(), FilmError> {
    let Some(output) = output.as_mut() else {
        return Ok(());
    };
    let track = output.stream(stream).map_or(base, |s| s.time_base());
    packet.set_stream(stream);
    packet.rescale_ts(base, track);
    packet
        .write_interleaved(output)
        .map_err(while_doing("writing to the file"))
}

/// A hidden name in the same folder, with the ending that tells the library the container.
fn temporary_beside(path: &Path) -> PathBuf {
    let name = path
        .file_name()
        .map_or("film.mp4".into(), |n| n.to_string_lossy());
    path.with_file_name(format!(".{}-{name}", std::process::id()))
}

fn open_video(
    width: usize,
    height: usize,
    rate: (u32, u32),
    ticks_hz: u32,
    options: FilmOptions,
) -> Result<av::encoder::video::Encoder, FilmError> {
    let name = match options.codec {
        FilmCodec::H264 => "libx264",
        FilmCodec::Hevc => "libx265",
    };
    let codec = av::encoder::find_by_name(name).ok_or(FilmError::NoEncoder { name })?;
    let mut context = av::codec::Context::new_with_codec(codec);
    // MP4 keeps the codec's headers apart from the pictures.
    context.set_flags(av::codec::Flags::GLOBAL_HEADER);
    let failed = while_doing("opening the video encoder");
    let mut video = context.encoder().video().map_err(&failed)?;
    video.set_width(width as u32);
    video.set_height(height as u32);
    video.set_format(av::format::Pixel::YUV420P);
    video.set_time_base((1, ticks_hz as i32));
    video.set_frame_rate(Some((rate.0 as i32, rate.1 as i32)));
    video.set_colorspace(av::color::Space::BT709);
    video.set_color_range(av::color::Range::MPEG);
    video.set_color_primaries(av::color::Primaries::BT709);
    video.set_color_transfer_characteristic(av::color::TransferCharacteristic::BT709);
    let mut settings = av::Dictionary::new();
    settings.set("preset", "veryfast");
    settings.set("crf", &options.crf.to_string());
    settings.set("x265-params", "log-level=none");
    video.open_as_with(codec, settings).map_err(failed)
}

/// The sound still to be encoded.
struct Sound {
    encoder: av::encoder::audio::Encoder,
    samples: Vec<f32>,
    rate_hz: u32,
    next: usize,
    ended: bool,
}

impl Sound {
    fn open(sound: &FilmSound) -> Result<Self, FilmError> {
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
    fn send_next(&mut self, until: Seconds) -> Result<bool, FilmError> {
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
