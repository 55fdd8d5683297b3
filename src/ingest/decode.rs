//! Frames in order of presentation, one at a time.

use ffmpeg_next as av;

use av::error::EAGAIN;
use av::format::Pixel;
use av::software::scaling;

use crate::geometry::QuarterTurns;
use crate::ingest::planes::turned;
use crate::ingest::{ClipInfo, Frame, IngestError, Limits, probe};
use crate::picture::{ColourMatrix, Picture};
use crate::quality::Warning;
use crate::units::Seconds;

/// Most complaints of the reader or decoder in a row before the rest of the file is given up.
const MAX_COMPLAINTS: usize = 100_000;

/// A stretch is read from the key frame this long before it, seconds: frames right after a key frame may need those before.
const RUN_UP_S: f64 = 0.25;

/// Which frames are wanted as pictures, by index and presentation time.
type Wanted<'a> = Box<dyn FnMut(usize, Seconds) -> bool + 'a>;

/// Iterator over the frames of a clip; holds one picture at a time.
pub struct Frames<'a> {
    info: ClipInfo,
    input: av::format::context::Input,
    decoder: av::decoder::Video,
    stream: usize,
    scaler: Option<scaling::Context>,
    wanted: Option<Wanted<'a>>,
    /// Index of the next frame.
    next: usize,
    last: Option<Seconds>,
    /// Reading ends after this time.
    until: Option<Seconds>,
    draining: bool,
    finished: bool,
    complaints_in_a_row: usize,
    /// Packets and frames that came damaged.
    damaged: usize,
    /// Frames whose time stamp is missing or does not advance.
    untimed: usize,
    warnings: Vec<Warning>,
}

impl<'a> Frames<'a> {
    pub(in crate::ingest) fn open(
        info: &ClipInfo,
        limits: Limits,
        wanted: Option<Wanted<'a>>,
    ) -> Result<Self, IngestError> {
        let input = probe::open(&info.path)?;
        let stream =
            probe::video_stream(&input).ok_or_else(|| probe::without_pictures(&info.path, &input))?;
        let decoder = probe::open_decoder(&stream, &info.path, limits.max_pixels)?;
        let stream = stream.index();
        Ok(Self {
            info: info.clone(),
            input,
            decoder,
            stream,
            scaler: None,
            wanted,
            next: 0,
            last: None,
            until: None,
            draining: false,
            finished: false,
            complaints_in_a_row: 0,
            damaged: 0,
            untimed: 0,
            warnings: Vec::new(),
        })
    }

    /// Leaves out what comes before and after a stretch, without decoding the clip up to there.
    pub(in crate::ingest) fn between(mut self, from: Seconds, to: Seconds) -> Self {
        let start_s = (from.0 - RUN_UP_S) * self.info.slow_motion_factor;
        let start = (start_s * f64::from(av::ffi::AV_TIME_BASE)) as i64;
        if start_s > self.info.start.0 * self.info.slow_motion_factor {
            // Where a file cannot be searched it is read from its start.
            let _ = self.input.seek(start, ..start);
        }
        self.until = Some(to);
        self.wanted = Some(Box::new(move |_, pts| pts.0 >= from.0));
        self
    }

    /// What went wrong on the way; complete once the iterator has ended.
    #[must_use]
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }

    /// Time of the first frame that decodes.
    pub(in crate::ingest) fn first_time(&mut self) -> Result<Seconds, IngestError> {
        match self.timed_frame()? {
            Some((_, pts, _)) => Ok(pts),
            None => Err(IngestError::NoFrames {
                path: self.info.path.clone(),
            }),
        }
    }

    /// The next sound frame with its index and time, unconverted.
    fn timed_frame(&mut self) -> Result<Option<(usize, Seconds, av::frame::Video)>, IngestError> {
        while let Some(frame) = self.decoded() {
            let index = self.next;
            self.next += 1;
            if frame.is_corrupt() || frame.has_decode_errors() {
                self.damaged += 1;
                continue;
            }
            let pts = frame
                .timestamp()
                .map(|ticks| self.info.time_base.seconds(ticks) / self.info.slow_motion_factor)
                .filter(|&pts| self.last.is_none_or(|last| pts > last));
            let Some(pts) = pts else {
                self.untimed += 1;
                continue;
            };
            self.last = Some(pts);
            if self.until.is_some_and(|until| pts.0 > until.0) {
                return Ok(None);
            }
            let displayed = displayed_size(&frame, self.info.turns);
            if displayed != (self.info.width_px, self.info.height_px) {
                return Err(IngestError::SizeChanged {
                    path: self.info.path.clone(),
                    frame: index,
                    width_px: frame.width(),
                    height_px: frame.height(),
                });
            }
            return Ok(Some((index, pts, frame)));
        }
        Ok(None)
    }

    /// Drives the decoder until it gives a frame or the file ends.
    fn decoded(&mut self) -> Option<av::frame::Video> {
        let mut frame = av::frame::Video::empty();
        loop {
            match self.decoder.receive_frame(&mut frame) {
                Ok(()) => {
                    self.complaints_in_a_row = 0;
                    return Some(frame);
                }
                Err(av::Error::Eof) => return None,
                Err(av::Error::Other { errno: EAGAIN }) if self.draining => return None,
                Err(av::Error::Other { errno: EAGAIN }) => self.feed(),
                Err(_) => self.complain()?,
            }
        }
    }

    /// Gives the decoder its next packet, or the end.
    fn feed(&mut self) {
        loop {
            let mut packet = av::Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) if packet.stream() != self.stream => {}
                Ok(()) => {
                    if self.decoder.send_packet(&packet).is_err() {
                        self.damaged += 1;
                    }
                    return;
                }
                Err(av::Error::InvalidData) if self.complain().is_some() => {}
                Err(error) => {
                    if error != av::Error::Eof {
                        self.damaged += 1;
                    }
                    self.draining = true;
                    // Fails only when the end was already announced.
                    let _ = self.decoder.send_eof();
                    return;
                }
            }
        }
    }

    /// Counts a complaint; `None` when there were too many in a row.
    fn complain(&mut self) -> Option<()> {
        self.damaged += 1;
        self.complaints_in_a_row += 1;
        (self.complaints_in_a_row < MAX_COMPLAINTS).then_some(())
    }

    fn convert(&mut self, frame: &av::frame::Video) -> Result<Picture, IngestError> {
        let direct = matches!(frame.format(), Pixel::YUV420P | Pixel::YUVJ420P);
        if direct {
            return self.picture(frame, frame);
        }
        let failed = |source| IngestError::Decoder {
            path: self.info.path.clone(),
            doing: "converting the pixel format",
            source,
        };
        let to = planar_form(frame.format());
        let mut scaler = match self.scaler.take() {
            Some(scaler) if scaler.input().format == frame.format() => scaler,
            _ => scaling::Context::get(
                frame.format(),
                frame.width(),
                frame.height(),
                to,
                frame.width(),
                frame.height(),
                scaling::Flags::BILINEAR | scaling::Flags::ACCURATE_RND,
            )
            .map_err(failed)?,
        };
        let mut planar = av::frame::Video::empty();
        scaler.run(frame, &mut planar).map_err(failed)?;
        self.scaler = Some(scaler);
        self.picture(&planar, frame)
    }

    /// Three planes as a picture; range and matrix as the original frame says.
    fn picture(
        &self,
        planar: &av::frame::Video,
        original: &av::frame::Video,
    ) -> Result<Picture, IngestError> {
        let (width, height) = (planar.width() as usize, planar.height() as usize);
        let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
        let plane = |i: usize, w: usize, h: usize| {
            turned(planar.data(i), planar.stride(i), w, h, self.info.turns).ok_or_else(|| {
                IngestError::Decoder {
                    path: self.info.path.clone(),
                    doing: "reading the picture's planes",
                    source: av::Error::BufferTooSmall,
                }
            })
        };
        Ok(Picture {
            luma: plane(0, width, height)?,
            cb: plane(1, half_width, half_height)?,
            cr: plane(2, half_width, half_height)?,
            full_range: planar.format() == Pixel::YUVJ420P
                || original.color_range() == av::color::Range::JPEG,
            matrix: matrix(original),
        })
    }

    /// Says once, at the end, what was damaged or missing.
    fn sum_up(&mut self) {
        self.finished = true;
        if self.damaged > 0 {
            self.warnings.push(Warning::new(
                "damaged_frames",
                format!(
                    "{}: {} frames or packets could not be decoded and were left out.",
                    self.info.path.display(),
                    self.damaged
                ),
                "Copy the file from the phone again; if it stays so, record anew.",
            ));
        }
        if self.untimed > 0 {
            self.warnings.push(Warning::new(
                "frames_without_time",
                format!(
                    "{}: {} frames have no time stamp or one that does not advance; left out.",
                    self.info.path.display(),
                    self.untimed
                ),
                "Use the phone's original file instead of an edited one.",
            ));
        }
        let period = 1.0 / self.info.rate_hz;
        let end = self.last.map_or(self.info.start.0, |last| last.0 + period);
        let missing = self.info.start.0 + self.info.duration.0 - end;
        // Mean periods and rounding of the container's lengths account for a frame or two.
        if missing > (2.5 * period).max(0.02) {
            self.warnings.push(Warning::new(
                "truncated_video",
                format!(
                    "{}: the video ends {missing:.2} s early, after {} frames.",
                    self.info.path.display(),
                    self.next
                ),
                "The copy was cut off: copy the whole file from the phone again.",
            ));
        }
    }
}

impl Iterator for Frames<'_> {
    type Item = Result<Frame, IngestError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.finished {
            return None;
        }
        loop {
            let (index, pts, frame) = match self.timed_frame() {
                Ok(Some(found)) => found,
                Ok(None) => {
                    self.sum_up();
                    return None;
                }
                Err(error) => {
                    self.finished = true;
                    return Some(Err(error));
                }
            };
            if self.wanted.as_mut().is_some_and(|wanted| !wanted(index, pts)) {
                continue;
            }
            let converted = self.convert(&frame);
            self.finished = converted.is_err();
            return Some(converted.map(|picture| Frame { index, pts, picture }));
        }
    }
}

fn displayed_size(frame: &av::frame::Video, turns: QuarterTurns) -> (u32, u32) {
    match turns {
        QuarterTurns::Zero | QuarterTurns::Two => (frame.width(), frame.height()),
        QuarterTurns::One | QuarterTurns::Three => (frame.height(), frame.width()),
    }
}

/// The 4:2:0 planar form of a pixel format, with its range kept.
fn planar_form(format: Pixel) -> Pixel {
    match format {
        Pixel::YUVJ422P | Pixel::YUVJ444P | Pixel::YUVJ440P | Pixel::YUVJ411P => Pixel::YUVJ420P,
        _ => Pixel::YUV420P,
    }
}

/// The frame's colour matrix. Untagged: BT.709 from 720 rows up, BT.601 below (common practice, no source).
fn matrix(frame: &av::frame::Video) -> ColourMatrix {
    use av::color::Space;
    match frame.color_space() {
        Space::BT709 | Space::BT2020NCL | Space::BT2020CL => ColourMatrix::Bt709,
        Space::BT470BG | Space::SMPTE170M | Space::FCC => ColourMatrix::Bt601,
        _ if frame.width().min(frame.height()) >= 720 => ColourMatrix::Bt709,
        _ => ColourMatrix::Bt601,
    }
}
