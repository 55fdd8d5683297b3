//! Recordings of the board become a rig or a lens.

use std::cell::Cell;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::calibrate::{
    Board, CalibrateSettings, Calibration, Film, GroundMark, Lens, LensFile, OpenCvLens, Pairing, RigFile,
    calibrate, find_board, is_opencv_yaml, lens, opencv_pose,
};
use crate::geometry::Phone;
use crate::ingest::{Clip, IngestOptions, open_clip};
use crate::picture::Grey;
use crate::pipeline::{PipelineError, clocks, given, refuse_same_video};
use crate::quality::{Progress, Warning, Warnings};
use crate::report::rig_page;
use crate::store::write_whole;
use crate::units::Seconds;

/// A board is looked for this often in a film: it is held still for longer, and every look costs.
const LOOK_EVERY_S: f64 = 1.0 / 30.0;

/// Pictures looked at together on all cores.
const BATCH: usize = 16;

/// When a board of one other size was seen this often and the one asked for never, `--squares` is probably wrong: from then
/// on a look now and then suffices.
const OTHER_SEEN: usize = 12;
const LOOK_AGAIN_S: f64 = 0.5;

/// After as many such looks, a quarter of them at the other size, the rest of the film is left unseen.
const LAST_LOOKS: usize = 20;

/// A clock offset given by hand, or from sound that could not be heard, is doubted by this, seconds.
const BLIND_OFFSET_SD_S: f64 = 0.02;

/// Lean of a board set up with a spirit level, degrees (builders' levels are good to a millimetre a metre, 0.06 degrees; the
/// print may not be flat).
const LEVELLED_SD_DEG: f64 = 0.3;

/// Where a lens file comes from.
const LENS_HINT: &str = "a lens file is what `twinmound lens` or OpenCV's FileStorage (YAML) wrote for this phone; without one, show the board close to the phone";

/// Where a file of the pose between the phones comes from.
const STEREO_HINT: &str = "--stereo takes the YAML file that OpenCV's FileStorage wrote after stereoCalibrate (R, T: second camera from first); the first camera is LEFT";

/// What `calibrate` was asked to do.
#[derive(Clone, Debug)]
pub struct BoardRequest {
    /// LEFT phone's video, or a folder of pictures.
    pub left: PathBuf,
    /// RIGHT phone's video, or a folder of pictures.
    pub right: PathBuf,
    /// The board.
    pub board: Board,
    /// Lens files of left and right: ours, or OpenCV's YAML.
    pub lenses: [Option<PathBuf>; 2],
    /// OpenCV's YAML file of the pose between the phones, and the length of its unit in metres.
    pub stereo: Option<(PathBuf, f64)>,
    /// Distance between the two phones' lenses by tape, metres.
    pub phones_apart_m: Option<f64>,
    /// Where the board stood when not on the rubber: toward the target and to the right of one who faces it, metres.
    pub board_at_m: Option<[f64; 2]>,
    /// Whether the board was set up with a spirit level.
    pub board_levelled: bool,
    /// Points of the ground marked in both phones' pictures; none: the upright board gives the world.
    pub ground: Vec<GroundMark>,
    /// Known clock offset (left time = right time + offset), seconds.
    pub offset_s: Option<f64>,
    /// File to write.
    pub out: PathBuf,
}

/// Two recordings of the board become a rig, written to `request.out` whatever its verdict.
///
/// # Errors
/// When a recording cannot be read or no stereo pose can be computed.
pub fn calibrate_recording(
    request: &BoardRequest,
    progress: &dyn Progress,
) -> Result<(Calibration, Vec<Warning>), PipelineError> {
    let mut warnings = Warnings::default();
    let known_pose = match &request.stereo {
        Some((path, unit_m)) => Some(given(path, STEREO_HINT, |text| opencv_pose(text, *unit_m))?),
        None => None,
    };
    let mut settings = CalibrateSettings {
        known_pose,
        phones_apart_m: request.phones_apart_m,
        board_at_m: request.board_at_m.unwrap_or_default(),
        ground: request.ground.clone(),
        ..CalibrateSettings::new(request.board)
    };
    if request.board_levelled {
        settings.board_lean_sd_deg = LEVELLED_SD_DEG;
    }
    let [left_lens, right_lens] = &request.lenses;
    let lenses = [
        read_lens(left_lens.as_deref(), Phone::Left)?,
        read_lens(right_lens.as_deref(), Phone::Right)?,
    ];
    let (films, pairing) = if request.left.is_dir() || request.right.is_dir() {
        (
            from_folders([&request.left, &request.right], &request.board, progress)?,
            Pairing::ByNumber,
        )
    } else {
        let options = IngestOptions::default();
        let clips = [
            open_clip(&request.left, &options)?,
            open_clip(&request.right, &options)?,
        ];
        refuse_same_video(&request.left, &request.right)?;
        let mut look = |phone: Phone, what: &str| {
            let clip = &clips[phone as usize];
            let film = look_through(clip, &request.board, what, progress, &mut warnings)?;
            // The other phone's film need not be read to say so.
            film.refuse_unseen(phone)?;
            Ok::<_, PipelineError>(film)
        };
        let films = [
            look(Phone::Left, "look for the board, left")?,
            look(Phone::Right, "look for the board, right")?,
        ];
        (films, pairing(request, &clips, &mut warnings))
    };
    let [left, right] = &films;
    let known = [0, 1].map(|i| match (&lenses[i], &request.lenses[i]) {
        (Some(lens), Some(path)) => lens.for_pictures(films[i].size(), path).map(Some),
        _ => Ok(None),
    });
    let [left_known, right_known] = known;
    let known = [left_known?, right_known?];
    let calibration = calibrate(
        [left, right],
        pairing,
        [known[0].as_ref(), known[1].as_ref()],
        &settings,
    )?;
    // The rig file last: whoever waits for it finds its page.
    let name = request
        .out
        .file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    write_whole(
        &rig_page_path(&request.out),
        rig_page(&calibration, &name).as_bytes(),
    )?;
    write_whole(&request.out, RigFile::from(&calibration).to_json().as_bytes())?;
    Ok((calibration, warnings.into_vec()))
}

/// Where the page of a rig file goes: beside it, with the ending `html`.
#[must_use]
pub fn rig_page_path(rig: &Path) -> PathBuf {
    if rig.extension().is_some_and(|e| e.eq_ignore_ascii_case("html")) {
        return rig.with_extension("page.html");
    }
    rig.with_extension("html")
}

/// One video of the board shown close becomes a lens, written to `out` whatever its verdict.
///
/// # Errors
/// When the video cannot be read or no lens can be computed.
pub fn make_lens(
    video: &Path,
    board: Board,
    out: &Path,
    progress: &dyn Progress,
) -> Result<Lens, PipelineError> {
    let clip = open_clip(video, &IngestOptions::default())?;
    let film = look_through(
        &clip,
        &board,
        "look for the board",
        progress,
        &mut Warnings::default(),
    )?;
    let made = lens(&film, &CalibrateSettings::new(board))?;
    write_whole(out, LensFile::from(&made).to_json().as_bytes())?;
    Ok(made)
}

/// A lens as it was given.
enum GivenLens {
    Ours(Lens),
    /// Its picture size may be known only from the recording.
    OpenCv(OpenCvLens),
}

impl GivenLens {
    fn for_pictures(&self, size: (u32, u32), path: &Path) -> Result<Lens, PipelineError> {
        match self {
            Self::Ours(lens) => Ok(lens.clone()),
            Self::OpenCv(lens) => lens.lens(size).map_err(|source| PipelineError::RigFile {
                path: path.to_owned(),
                source,
                hint: LENS_HINT,
            }),
        }
    }
}

/// A lens file, if one is given.
fn read_lens(path: Option<&Path>, phone: Phone) -> Result<Option<GivenLens>, PipelineError> {
    let Some(path) = path else { return Ok(None) };
    given(path, LENS_HINT, |text| {
        if is_opencv_yaml(text) {
            OpenCvLens::from_yaml(text, phone).map(GivenLens::OpenCv)
        } else {
            LensFile::from_json(text)?.lens().map(GivenLens::Ours)
        }
    })
    .map(Some)
}

/// How the two films' frames belong together.
fn pairing(request: &BoardRequest, clips: &[Clip; 2], warnings: &mut Warnings) -> Pairing {
    let by_clock = |offset_s, sd_s| Pairing::ByClock {
        offset: Seconds(offset_s),
        offset_sd: Seconds(sd_s),
    };
    if let Some(offset_s) = request.offset_s {
        return by_clock(offset_s, BLIND_OFFSET_SD_S);
    }
    match clocks::from_sound(clips, None) {
        Ok(clock) => by_clock(clock.offset_s, clock.sd_s),
        Err(reason) => {
            warnings.add(Warning::new(
                "clocks_unknown",
                format!("the sound does not tell how the phones' clocks relate ({reason}); they are taken as equal"),
                "clap twice where both phones hear it, or give --offset-s",
            ));
            by_clock(0.0, BLIND_OFFSET_SD_S)
        }
    }
}

/// Looks for the board through one film; memory stays flat.
fn look_through(
    clip: &Clip,
    board: &Board,
    what: &str,
    progress: &dyn Progress,
    warnings: &mut Warnings,
) -> Result<Film, PipelineError> {
    let info = &clip.info;
    let mut film = Film::new(info.width_px, info.height_px, Some(info.rate_hz));
    let mut next = f64::NEG_INFINITY;
    let every_s = Cell::new(LOOK_EVERY_S);
    let mut frames = clip.frames_where(|_, pts| {
        let wanted = pts.0 >= next;
        if wanted {
            next = pts.0 + every_s.get() - 0.5 / 240.0;
        }
        wanted
    })?;
    progress.start(what, None);
    let mut dense = None;
    while !film.shows_other_board(OTHER_SEEN + LAST_LOOKS / 4)
        || dense.is_none_or(|d| film.misses.len() < d + LAST_LOOKS)
    {
        if dense.is_none() && film.shows_other_board(OTHER_SEEN) {
            every_s.set(LOOK_AGAIN_S);
            dense = Some(film.misses.len());
        } else if dense.is_some() && !film.sightings.is_empty() {
            every_s.set(LOOK_EVERY_S);
            dense = None;
        }
        let many = if dense.is_some() { BATCH / 4 } else { BATCH };
        let batch: Vec<_> = frames.by_ref().take(many).collect::<Result<_, _>>()?;
        if batch.is_empty() {
            break;
        }
        let seen: Vec<_> = batch
            .par_iter()
            .map(|f| find_board(&f.picture.luma, board))
            .collect();
        for (frame, sighting) in batch.iter().zip(seen) {
            film.add(frame.index, Some(frame.pts), sighting);
        }
        progress.advance(batch.len() as u64);
    }
    progress.finish();
    warnings.extend(frames.warnings().to_vec());
    Ok(film)
}

/// Two folders of pictures, paired by name.
fn from_folders(
    folders: [&PathBuf; 2],
    board: &Board,
    progress: &dyn Progress,
) -> Result<[Film; 2], PipelineError> {
    let wrong = |folder: &Path, what: String| PipelineError::Pictures {
        folder: folder.to_owned(),
        what,
    };
    let [left, right] = [pictures_in(folders[0])?, pictures_in(folders[1])?];
    let mut names: Vec<String> = left.iter().chain(&right).map(|(name, _)| name.clone()).collect();
    names.sort();
    names.dedup();
    progress.start("look for the board", Some((left.len() + right.len()) as u64));
    let film = |folder: &Path, files: &[(String, PathBuf)]| {
        let seen: Vec<_> = files
            .par_iter()
            .map(|(name, path)| {
                let picture = image::open(path)
                    .map_err(|e| wrong(folder, format!("{name}: {e}")))?
                    .into_luma8();
                let (width, height) = (picture.width() as usize, picture.height() as usize);
                let grey = Grey {
                    width,
                    height,
                    data: picture.into_raw(),
                };
                progress.advance(1);
                Ok::<_, PipelineError>((name, (width as u32, height as u32), find_board(&grey, board)))
            })
            .collect::<Result<_, _>>()?;
        let Some(&(_, size, _)) = seen.first() else {
            return Err(wrong(folder, "no picture in it".to_owned()));
        };
        let mut film = Film::new(size.0, size.1, None);
        for (name, of, sighting) in seen {
            if of != size {
                return Err(wrong(
                    folder,
                    format!(
                        "{name} has {} x {} pixels, others {} x {}",
                        of.0, of.1, size.0, size.1
                    ),
                ));
            }
            film.add(
                names.iter().position(|n| n == name).unwrap_or_default(),
                None,
                sighting,
            );
        }
        Ok(film)
    };
    let films = [film(folders[0], &left)?, film(folders[1], &right)?];
    progress.finish();
    Ok(films)
}

/// Picture files of a folder by name without ending, sorted.
fn pictures_in(folder: &Path) -> Result<Vec<(String, PathBuf)>, PipelineError> {
    let wrong = |what: String| PipelineError::Pictures {
        folder: folder.to_owned(),
        what,
    };
    let listed = std::fs::read_dir(folder).map_err(|e| wrong(e.to_string()))?;
    let mut files: Vec<(String, PathBuf)> = listed
        .filter_map(|entry| {
            let path = entry.ok()?.path();
            let ending = path.extension()?.to_string_lossy().to_lowercase();
            ["png", "jpg", "jpeg"]
                .contains(&ending.as_str())
                .then(|| Some((path.file_stem()?.to_string_lossy().into_owned(), path.clone())))?
        })
        .collect();
    files.sort();
    Ok(files)
}
