//! What the container says: streams, size, rotation, rate, time base, slow motion.

use std::fs;
use std::io::{self, Read};
use std::path::Path;
use std::sync::Once;

use ffmpeg_next as av;

use av::codec::packet::side_data::Type as SideDataType;
use av::format::context::Input;
use av::format::stream::{Disposition, Stream};

use crate::geometry::QuarterTurns;
use crate::ingest::{ClipInfo, IngestError, IngestOptions, TimeBase};
use crate::quality::Warning;
use crate::units::Seconds;

/// Containers that phones and cameras write, by the library's names of their readers. Others are refused: the library
/// would read text files as animated terminal art.
const CONTAINERS: [&str; 4] = ["mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm", "avi", "mpegts"];

/// Ratio of capture rate to tagged rate below which both are the same.
const SAME_RATE: f64 = 1.02;

/// Everything known before the first frame, with warnings.
pub(in crate::ingest) fn look_into(
    path: &Path,
    options: &IngestOptions,
) -> Result<(ClipInfo, Vec<Warning>), IngestError> {
    let input = open(path)?;
    let stream = video_stream(&input).ok_or_else(|| without_pictures(path, &input))?;
    let decoder = open_decoder(&stream, path, options.limits.max_pixels)?;
    let (stored_width, stored_height) = (decoder.width(), decoder.height());
    if u64::from(stored_width) * u64::from(stored_height) > options.limits.max_pixels {
        return Err(IngestError::TooLarge {
            path: path.to_owned(),
            width_px: stored_width,
            height_px: stored_height,
            max_pixels: options.limits.max_pixels,
        });
    }
    let mut warnings = Vec::new();
    let turns = rotation(&stream, &mut warnings);
    let (width_px, height_px) = match turns {
        QuarterTurns::Zero | QuarterTurns::Two => (stored_width, stored_height),
        QuarterTurns::One | QuarterTurns::Three => (stored_height, stored_width),
    };
    let aspect = decoder.aspect_ratio();
    if aspect.numerator() > 0 && aspect.denominator() > 0 && aspect.numerator() != aspect.denominator() {
        warnings.push(Warning::new(
            "pixels_not_square",
            format!(
                "The video's pixels are {}:{} and not square.",
                aspect.numerator(),
                aspect.denominator()
            ),
            "Use the phone's original file and calibrate with the same video mode.",
        ));
    }
    let tagged_rate_hz = rate(&stream);
    let factor = slow_motion(path, options.capture_fps, tagged_rate_hz)?;
    let played = duration(&input, &stream);
    if played.0 / factor > options.limits.max_duration_s {
        return Err(IngestError::TooLong {
            path: path.to_owned(),
            duration_s: played.0 / factor,
            max_s: options.limits.max_duration_s,
        });
    }
    let frames_estimate = match u64::try_from(stream.frames()) {
        Ok(frames) if frames > 0 => frames,
        _ => (played.0 * tagged_rate_hz).round().max(0.0) as u64,
    };
    let sound = input.streams().best(av::media::Type::Audio);
    if options.capture_fps.is_none() {
        let heard = sound.as_ref().map(|s| duration(&input, s));
        warnings.extend(slow_motion_hint(&input, tagged_rate_hz, played, heard));
    }
    let info = ClipInfo {
        path: path.to_owned(),
        width_px,
        height_px,
        turns,
        rate_hz: tagged_rate_hz * factor,
        tagged_rate_hz,
        time_base: time_base(&stream),
        codec: stream.parameters().id().name().to_owned(),
        start: Seconds(0.0),
        duration: played / factor,
        frames_estimate,
        has_sound: sound.is_some(),
        slow_motion_factor: factor,
    };
    Ok((info, warnings))
}

/// Opens a container, with the usual ways of getting it wrong told apart.
pub(in crate::ingest) fn open(path: &Path) -> Result<Input, IngestError> {
    static QUIET: Once = Once::new();
    // The library would write to stderr by itself; its complaints come back as errors and warnings instead.
    QUIET.call_once(|| av::log::set_level(av::log::Level::Quiet));
    let owned = || path.to_owned();
    let meta = fs::metadata(path).map_err(|source| match source.kind() {
        io::ErrorKind::NotFound => IngestError::NoSuchFile { path: owned() },
        io::ErrorKind::InvalidInput => IngestError::NotAFile {
            path: owned(),
            what: "not a possible file name",
        },
        _ => IngestError::Unreadable {
            path: owned(),
            source,
        },
    })?;
    if !meta.is_file() {
        return Err(IngestError::NotAFile {
            path: owned(),
            what: if meta.is_dir() { "a folder" } else { "not a file" },
        });
    }
    if meta.len() == 0 {
        return Err(IngestError::Empty { path: owned() });
    }
    let head = first_bytes(path).map_err(|source| IngestError::Unreadable {
        path: owned(),
        source,
    })?;
    // An absolute name cannot be taken for a protocol ("http:", "concat:").
    let absolute = std::path::absolute(path).map_err(|source| IngestError::Unreadable {
        path: owned(),
        source,
    })?;
    if absolute.to_str().is_none() {
        return Err(IngestError::NotAFile {
            path: owned(),
            what: "its name is not Unicode",
        });
    }
    let input = av::format::input(&absolute).map_err(|source| {
        // ISO/IEC 14496-12: the file type box comes first; older MOV files begin with one of the other three.
        let is_movie = [b"ftyp", b"moov", b"mdat", b"wide"].contains(&&head);
        if is_movie && matches!(source, av::Error::InvalidData | av::Error::Eof) {
            IngestError::CutShort {
                path: owned(),
                bytes: meta.len(),
            }
        } else {
            IngestError::NotAVideo {
                path: owned(),
                reason: source.to_string(),
            }
        }
    })?;
    let format = input.format().name().to_owned();
    if !CONTAINERS.contains(&format.as_str()) && input.streams().all(|s| s.parameters().medium() != AUDIO) {
        return Err(IngestError::NotAVideo {
            path: owned(),
            reason: format!("it looks like {format}"),
        });
    }
    Ok(input)
}

const AUDIO: av::media::Type = av::media::Type::Audio;

/// Bytes 4 to 8: the type of an MP4's first box. Zeros when the file is shorter.
fn first_bytes(path: &Path) -> io::Result<[u8; 4]> {
    let mut head = Vec::with_capacity(8);
    fs::File::open(path)?.take(8).read_to_end(&mut head)?;
    let mut kind = [0; 4];
    if head.len() == 8 {
        kind.copy_from_slice(&head[4..]);
    }
    Ok(kind)
}

/// The main video stream; cover pictures of sound files do not count, nor "video" of other formats.
pub(in crate::ingest) fn video_stream(input: &Input) -> Option<Stream<'_>> {
    if !CONTAINERS.contains(&input.format().name()) {
        return None;
    }
    let is_cover = |s: &Stream| s.disposition().contains(Disposition::ATTACHED_PIC);
    match input.streams().best(av::media::Type::Video) {
        Some(best) if !is_cover(&best) => Some(best),
        _ => input
            .streams()
            .find(|s| s.parameters().medium() == av::media::Type::Video && !is_cover(s)),
    }
}

/// Why there is no video stream: another kind of recording, or an index that breaks off before it names one.
pub(in crate::ingest) fn without_pictures(path: &Path, input: &Input) -> IngestError {
    let known = |s: Stream| matches!(s.parameters().medium(), AUDIO | av::media::Type::Video);
    if CONTAINERS.contains(&input.format().name()) && !input.streams().any(known) {
        return IngestError::CutShort {
            path: path.to_owned(),
            bytes: fs::metadata(path).map_or(0, |meta| meta.len()),
        };
    }
    IngestError::NoPictures {
        path: path.to_owned(),
        streams: input.nb_streams(),
    }
}

/// A decoder for a video stream, on as many threads as help.
pub(in crate::ingest) fn open_decoder(
    stream: &Stream,
    path: &Path,
    max_pixels: u64,
) -> Result<av::decoder::Video, IngestError> {
    let failed = |source| IngestError::Decoder {
        path: path.to_owned(),
        doing: "opening the video decoder",
        source,
    };
    let parameters = stream.parameters();
    let unsupported = || IngestError::UnsupportedCodec {
        path: path.to_owned(),
        codec: parameters.id().name().to_owned(),
    };
    let codec = av::decoder::find(parameters.id()).ok_or_else(unsupported)?;
    let mut context = av::codec::Context::from_parameters(stream.parameters()).map_err(failed)?;
    // Two clips are decoded side by side and every thread holds a picture: more than four gain little.
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(4));
    context.set_threading(av::threading::Config {
        kind: av::threading::Type::Frame,
        count: threads,
        ..Default::default()
    });
    let mut decoder = context.decoder();
    decoder.set_packet_time_base(stream.time_base());
    let mut bounds = av::Dictionary::new();
    bounds.set("max_pixels", &max_pixels.to_string());
    match decoder
        .open_as_with(codec, bounds)
        .and_then(|opened| opened.video())
    {
        Ok(video) => Ok(video),
        Err(av::Error::DecoderNotFound | av::Error::PatchWelcome) => Err(unsupported()),
        Err(source) => Err(failed(source)),
    }
}

/// Unit of a stream's time stamps.
pub(in crate::ingest) fn time_base(stream: &Stream) -> TimeBase {
    let base = stream.time_base();
    TimeBase {
        num: base.numerator(),
        den: base.denominator().max(1),
    }
}

/// Length of a stream as played, or of the whole container where the stream does not say.
pub(in crate::ingest) fn duration(input: &Input, stream: &Stream) -> Seconds {
    // Negative: unknown.
    if stream.duration() > 0 {
        return time_base(stream).seconds(stream.duration());
    }
    let container = TimeBase {
        num: 1,
        den: av::ffi::AV_TIME_BASE,
    };
    container.seconds(input.duration().max(0))
}

/// Mean picture rate as tagged, hertz; 30 where the file does not say.
fn rate(stream: &Stream) -> f64 {
    [stream.avg_frame_rate(), stream.rate()]
        .into_iter()
        .filter(|r| r.numerator() > 0 && r.denominator() > 0)
        .map(|r| f64::from(r.numerator()) / f64::from(r.denominator()))
        .next()
        .unwrap_or(30.0)
}

/// How many times slower than the world the file plays.
fn slow_motion(path: &Path, capture_fps: Option<f64>, tagged_hz: f64) -> Result<f64, IngestError> {
    let Some(given_hz) = capture_fps else {
        return Ok(1.0);
    };
    let factor = given_hz / tagged_hz;
    if !given_hz.is_finite() || factor < 1.0 / SAME_RATE || given_hz > 10_000.0 {
        return Err(IngestError::CaptureRate {
            path: path.to_owned(),
            given_hz,
            tagged_hz,
        });
    }
    Ok(if factor < SAME_RATE { 1.0 } else { factor })
}

/// Signs that the file plays slower than it was filmed: the capture rate that Android phones note, or sound that is
/// much shorter than the pictures.
fn slow_motion_hint(
    input: &Input,
    tagged_hz: f64,
    played: Seconds,
    heard: Option<Seconds>,
) -> Option<Warning> {
    let noted = input
        .metadata()
        .get("com.android.capture.fps")
        .and_then(|text| text.trim().parse::<f64>().ok());
    let (why, capture_hz) = match (noted, heard) {
        (Some(hz), _) if hz > 1.3 * tagged_hz => (format!("the phone noted {hz:.0} Hz"), hz),
        (_, Some(heard)) if heard.0 > 0.5 && played.0 > 1.9 * heard.0 => (
            format!(
                "{:.1} s of pictures stand beside {:.1} s of sound",
                played.0, heard.0
            ),
            tagged_hz * (played / heard).round(),
        ),
        _ => return None,
    };
    Some(Warning::new(
        "slow_motion_suspected",
        format!("The file plays at {tagged_hz:.0} Hz but seems to be filmed faster: {why}."),
        format!("If it is slow motion, give --capture-fps {capture_hz:.0}."),
    ))
}

/// The rotation in the display matrix (ISO/IEC 14496-12, 6.2.2): nine 32-bit numbers, 16.16 fixed point, row by row
/// `a b u c d v x y w`; a clockwise turn by t has `a = cos t, b = sin t`.
fn rotation(stream: &Stream, warnings: &mut Vec<Warning>) -> QuarterTurns {
    let Some(matrix) = stream
        .side_data()
        .find(|side| side.kind() == SideDataType::DisplayMatrix)
        .map(|side| fixed_point(side.data()))
    else {
        return QuarterTurns::Zero;
    };
    let (a, b, c, d) = match matrix.as_slice() {
        [a, b, _, c, d, ..] => (*a, *b, *c, *d),
        _ => return QuarterTurns::Zero,
    };
    if a * d - b * c < 0.0 {
        warnings.push(Warning::new(
            "mirrored_picture",
            "The video is to be shown mirrored, as front cameras do; it is taken as stored.",
            "Film with the main camera on the back of the phone.",
        ));
        return QuarterTurns::Zero;
    }
    let quarter = b.atan2(a) / std::f64::consts::FRAC_PI_2;
    if (quarter - quarter.round()).abs() > 0.02 {
        warnings.push(Warning::new(
            "odd_rotation",
            format!(
                "The video is to be shown turned by {:.1} degrees; taken as the nearest quarter turn.",
                quarter * 90.0
            ),
            "Use the phone's original file.",
        ));
    }
    match quarter.round() as i64 {
        1 => QuarterTurns::One,
        2 | -2 => QuarterTurns::Two,
        -1 => QuarterTurns::Three,
        _ => QuarterTurns::Zero,
    }
}

fn fixed_point(bytes: &[u8]) -> Vec<f64> {
    bytes
        .chunks_exact(4)
        .map(|b| f64::from(i32::from_ne_bytes([b[0], b[1], b[2], b[3]])) / 65536.0)
        .collect()
}
