//! What can be wrong with a video file; every message names the file, the fault and the way out.

use std::path::PathBuf;

/// Why a file could not be taken in.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    /// Nothing under that name.
    #[error("{}: no such file; check the name and the folder", path.display())]
    NoSuchFile {
        /// The name given.
        path: PathBuf,
    },
    /// The machine refused to read it.
    #[error("{}: cannot be read ({source}); check its permissions and the disk", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the machine said.
        source: std::io::Error,
    },
    /// A folder, a device or a name that the decoder cannot take.
    #[error("{}: {what}; give the name of a video file", path.display())]
    NotAFile {
        /// The name given.
        path: PathBuf,
        /// What it is instead.
        what: &'static str,
    },
    /// Zero bytes.
    #[error("{}: the file is empty; copy it from the phone again", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// Not a video container we read.
    #[error("{}: not a video ({reason}); give the phone's original MP4 or MOV file", path.display())]
    NotAVideo {
        /// The file.
        path: PathBuf,
        /// What it looks like instead.
        reason: String,
    },
    /// An MP4 or MOV whose index is missing: the copy or the recording was cut off.
    #[error(
        "{}: the video is cut short, its index is missing ({bytes} bytes); copy the whole file from the phone again",
        path.display()
    )]
    CutShort {
        /// The file.
        path: PathBuf,
        /// How much of it is there.
        bytes: u64,
    },
    /// A container without pictures, such as a sound recording.
    #[error("{}: holds no video stream ({streams} other streams); give the video, not the sound alone", path.display())]
    NoPictures {
        /// The file.
        path: PathBuf,
        /// How many streams of other kinds there are.
        streams: u32,
    },
    /// A video stream without a single frame that decodes.
    #[error("{}: no frame can be decoded; copy the file from the phone again or record anew", path.display())]
    NoFrames {
        /// The file.
        path: PathBuf,
    },
    /// A picture size beyond the bounds.
    #[error(
        "{}: pictures of {width_px} x {height_px} pixels are beyond the limit of {max_pixels}; \
         record in 1080p or 720p",
        path.display()
    )]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Width, pixels.
        width_px: u32,
        /// Height, pixels.
        height_px: u32,
        /// The bound.
        max_pixels: u64,
    },
    /// A length beyond the bounds.
    #[error("{}: {duration_s:.0} s of video are beyond the limit of {max_s:.0} s; cut it into parts", path.display())]
    TooLong {
        /// The file.
        path: PathBuf,
        /// Its length, seconds.
        duration_s: f64,
        /// The bound, seconds.
        max_s: f64,
    },
    /// A codec without a decoder on this machine.
    #[error(
        "{}: the codec {codec} cannot be decoded here; set the phone to H.264 or HEVC (\"most compatible\")",
        path.display()
    )]
    UnsupportedCodec {
        /// The file.
        path: PathBuf,
        /// The codec's name.
        codec: String,
    },
    /// A capture rate that makes no sense for this file.
    #[error(
        "{}: a capture rate of {given_hz} Hz does not fit a file tagged {tagged_hz:.2} Hz; \
         give the rate at which the phone filmed, at least the tagged one",
        path.display()
    )]
    CaptureRate {
        /// The file.
        path: PathBuf,
        /// The rate given, hertz.
        given_hz: f64,
        /// The rate in the file, hertz.
        tagged_hz: f64,
    },
    /// Pictures that change their size on the way.
    #[error(
        "{}: frame {frame} is {width_px} x {height_px} pixels, unlike the first; export the clip in one size",
        path.display()
    )]
    SizeChanged {
        /// The file.
        path: PathBuf,
        /// Index of the frame.
        frame: usize,
        /// Its width as stored, pixels.
        width_px: u32,
        /// Its height as stored, pixels.
        height_px: u32,
    },
    /// The decoding library failed.
    #[error("{}: {doing} failed ({source}); copy the file again, or export it anew", path.display())]
    Decoder {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What the library said.
        source: ffmpeg_next::Error,
    },
    /// Two clips that cannot be of the same event.
    #[error(
        "the left video lasts {left_s:.1} s and the right {right_s:.1} s; are both of the same recording? \
         If one is in slow motion, give its --capture-fps"
    )]
    LengthsDiffer {
        /// Length of the left clip, seconds.
        left_s: f64,
        /// Length of the right clip, seconds.
        right_s: f64,
    },
}
