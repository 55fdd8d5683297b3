//! What may be typed: subcommands, options, and the checks that need no file.

use std::path::PathBuf;
use std::str::FromStr;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::cli::board::BoardSheetArguments;
use crate::cli::numbers::{
    age_years, apart_m, cutoff_hz, height_m, margin_mm, mass_kg, offset_s, rate_hz, square_mm,
};
use crate::cli::place::PlaceArguments;
use crate::cli::points::{GroundPoint, Place};
use crate::cli::session::SessionArguments;
use crate::findings::Level;

/// Measures a baseball pitcher's delivery from two phone videos and a printed checkerboard.
#[derive(Debug, Parser)]
#[command(
    name = "twinmound",
    version,
    about,
    propagate_version = true,
    arg_required_else_help = true
)]
pub(crate) struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,

    /// Say nothing but results and errors.
    #[arg(long, short, global = true)]
    pub(crate) quiet: bool,

    /// Print the result as JSON for machines.
    #[arg(long, global = true)]
    pub(crate) json: bool,

    /// Log what the stages do to stderr (repeat for more).
    #[arg(long, short, global = true, action = clap::ArgAction::Count)]
    pub(crate) verbose: u8,
}

/// The commands, in the order a coach meets them.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Film the demo scenario with two virtual phones, then run the whole job on it and compare with the truth.
    Demo(DemoArguments),
    /// The checkerboard to print (PDF, SVG): A1 landscape, 10 x 7 squares of 70 mm, with a ruler; or another size.
    Board(BoardSheetArguments),
    /// Where the phones and the board go, in words and drawn.
    Place(PlaceArguments),
    /// One phone's lens from a video of the board held close to it; made once, used for months.
    Lens(LensArguments),
    /// Two videos (or two folders of pictures) of the board -> the stereo rig and its quality.
    Calibrate(CalibrateArguments),
    /// One recording pair -> every delivery in it, measured; or joints from elsewhere (--joints) -> one delivery.
    Measure(MeasureArguments),
    /// Several deliveries of one athlete -> mean, spread and the smallest change worth believing of every figure.
    Session(SessionArguments),
    /// A measured delivery -> one file for other programs: C3D, CSV or Parquet.
    Export(ExportArguments),
    /// One video -> the athlete's joints in the picture, frame by frame.
    Keypoints(KeypointsArguments),
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub(crate) struct DemoArguments {
    /// Folder to write to.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
    /// The kind of delivery: `clean`, or one with a planted fault (an unknown name lists them all).
    #[arg(long, default_value = "clean")]
    pub(crate) style: String,
    /// Seed of all that is random: another seed is another day.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Throwing hand.
    #[arg(long, value_enum, default_value_t = Hand::Right)]
    pub(crate) throws: Hand,
    /// Whom the pitcher is compared with.
    #[command(flatten)]
    pub(crate) peers: PeersArguments,
    /// What the networks run on: the processor, or an NVIDIA GPU (needs a CUDA build of ONNX Runtime in ORT_DYLIB_PATH).
    #[arg(long, value_enum, default_value_t = DeviceName::Cpu)]
    pub(crate) device: DeviceName,
}

/// The board: counts inner corners, not squares.
#[derive(Debug, Args)]
pub(crate) struct BoardArguments {
    /// Inner corners, columns x rows (one less than the squares each way).
    #[arg(long, value_name = "COLSxROWS")]
    pub(crate) squares: Grid,
    /// Edge of one square, millimetres, as measured on the print.
    #[arg(long, value_name = "MM", value_parser = square_mm)]
    pub(crate) square_mm: f64,
}

/// Options of `lens`.
#[derive(Debug, Args)]
pub(crate) struct LensArguments {
    /// The video.
    pub(crate) video: PathBuf,
    /// The board.
    #[command(flatten)]
    pub(crate) board: BoardArguments,
    /// File to write, e.g. lens.json.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
}

/// Options of `calibrate`.
#[derive(Debug, Args)]
pub(crate) struct CalibrateArguments {
    /// LEFT phone's video, or a folder of pictures.
    pub(crate) left: PathBuf,
    /// RIGHT phone's video, or a folder of pictures with the same names.
    pub(crate) right: PathBuf,
    /// The board.
    #[command(flatten)]
    pub(crate) board: BoardArguments,
    /// White edge below the lowest squares, millimetres: their height above the ground [default: one square].
    #[arg(long, value_name = "MM", value_parser = margin_mm)]
    pub(crate) margin_mm: Option<f64>,
    /// LEFT phone's lens file, ours or OpenCV's YAML: then the board need not be shown close to it.
    #[arg(long, value_name = "FILE")]
    pub(crate) lens_left: Option<PathBuf>,
    /// RIGHT phone's lens file.
    #[arg(long, value_name = "FILE")]
    pub(crate) lens_right: Option<PathBuf>,
    /// OpenCV's YAML file of the pose between the phones (R, T; first camera LEFT): held, not estimated.
    #[arg(long, value_name = "FILE", requires = "stereo_unit_mm")]
    pub(crate) stereo: Option<PathBuf>,
    /// Length of that file's unit, millimetres: that in which its board's squares were given.
    #[arg(long, value_name = "MM", requires = "stereo", value_parser = square_mm)]
    pub(crate) stereo_unit_mm: Option<f64>,
    /// Distance from lens to lens of the two phones by tape, metres: checks the board's size.
    #[arg(long, value_name = "M", value_parser = apart_m)]
    pub(crate) phones_apart_m: Option<f64>,
    /// Where the upright board stood, if not on the rubber: metres toward home plate and to the right of one who faces it,
    /// from the middle of the rubber's front edge, e.g. 1.5,0; it faces home plate all the same.
    #[arg(long, value_name = "X,Z", allow_hyphen_values = true)]
    pub(crate) board_at_m: Option<Place>,
    /// The upright board was set up with a spirit level: the vertical is then known better.
    #[arg(long)]
    pub(crate) board_levelled: bool,
    /// A point of the ground in both phones' pictures, pixels of the full-size picture: LEFT's X,Y, then RIGHT's; give it
    /// twice or more. First the middle of the rubber's front edge, then a point on the line from there to home plate, some
    /// metres on (a ball laid down beside a string will do). A point whose height against the first is known ends in @ and
    /// that height in metres, e.g. 412,655:903,700@-0.25. Two points give the target line, to half a degree or so when they
    /// are 3 m apart; the vertical then comes from the upright board, or, without one, from the phones, which are taken as
    /// level to 1.5 degrees. Three or more points with heights, far apart, give the vertical to 1 degree.
    #[arg(long, value_name = "LX,LY:RX,RY[@H]", allow_hyphen_values = true)]
    pub(crate) ground: Vec<GroundPoint>,
    /// Left clock minus right clock, seconds, when the sound cannot tell.
    #[arg(long, value_name = "S", allow_negative_numbers = true, value_parser = offset_s)]
    pub(crate) offset_s: Option<f64>,
    /// File to write, e.g. rig.json.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
}

/// Options of `measure`.
#[derive(Debug, Args)]
pub(crate) struct MeasureArguments {
    /// LEFT phone's video.
    #[arg(required_unless_present = "joints", conflicts_with = "joints")]
    pub(crate) left: Option<PathBuf>,
    /// RIGHT phone's video.
    #[arg(required_unless_present = "joints", conflicts_with = "joints")]
    pub(crate) right: Option<PathBuf>,
    /// The rig, as `calibrate` wrote it.
    #[arg(long, required_unless_present = "joints", conflicts_with = "joints")]
    pub(crate) rig: Option<PathBuf>,
    /// 3D joints from elsewhere instead of videos: the columns of joints.csv, or a C3D file with points of these names.
    #[arg(long, value_name = "FILE")]
    pub(crate) joints: Option<PathBuf>,
    /// The events of a delivery.json (the file, or its `events` object) instead of finding them; with --joints.
    #[arg(long, value_name = "FILE", requires = "joints", conflicts_with_all = ["left", "right", "rig"])]
    pub(crate) events: Option<PathBuf>,
    /// Folder to write to.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
    /// Who throws.
    #[command(flatten)]
    pub(crate) athlete: AthleteArguments,
    /// Sensor readout of the two phones, milliseconds [default: unknown, 3.5 +- 1].
    #[arg(long, value_name = "L,R")]
    pub(crate) readout_ms: Option<Both>,
    /// Exposure of the two phones, milliseconds [default: unknown, 1 +- 0.5].
    #[arg(long, value_name = "L,R")]
    pub(crate) exposure_ms: Option<Both>,
    /// Left clock minus right clock, seconds: instead of finding it.
    #[arg(long, value_name = "S", allow_negative_numbers = true, value_parser = offset_s)]
    pub(crate) offset_s: Option<f64>,
    /// The recordings are slow-motion clips made at this rate.
    #[arg(long, value_name = "HZ", value_parser = rate_hz)]
    pub(crate) capture_fps: Option<f64>,
    /// A phone was nudged since the calibration: fit the pose between the phones to the recording.
    #[arg(long)]
    pub(crate) refine_rig: bool,
    /// Keypoint network's manifest [default: the one that comes along].
    #[arg(long, value_name = "MANIFEST")]
    pub(crate) model: Option<PathBuf>,
    /// What the networks run on: the processor, or an NVIDIA GPU (needs a CUDA build of ONNX Runtime in ORT_DYLIB_PATH).
    #[arg(long, value_enum, default_value_t = DeviceName::Cpu)]
    pub(crate) device: DeviceName,
    /// Also give the speeds by a second route, a Butterworth filter without delay that passes 71 % at this frequency.
    #[arg(long, value_name = "HZ", value_parser = cutoff_hz)]
    pub(crate) cutoff_hz: Option<f64>,
}

/// Options of `export`.
#[derive(Debug, Args)]
pub(crate) struct ExportArguments {
    /// A delivery's folder (delivery-NN), or its delivery.json.
    pub(crate) delivery: PathBuf,
    /// File to write: .c3d, .csv or .parquet, by its ending.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
}

/// What is known of the athlete.
#[derive(Debug, Args)]
pub(crate) struct AthleteArguments {
    /// Body height, metres [default: estimated, and doubtful].
    #[arg(long, value_name = "M", value_parser = height_m)]
    pub(crate) height_m: Option<f64>,
    /// Body mass, kilograms: needed for energies in joules.
    #[arg(long, value_name = "KG", value_parser = mass_kg)]
    pub(crate) mass_kg: Option<f64>,
    /// Which table of body segments to use [default: male].
    #[arg(long, value_enum)]
    pub(crate) sex: Option<Sex>,
    /// Throwing hand [default: the faster one].
    #[arg(long, value_enum)]
    pub(crate) throws: Option<Hand>,
    /// Whom the athlete is compared with.
    #[command(flatten)]
    pub(crate) peers: PeersArguments,
}

/// Whom an athlete is compared with; with no one when nothing is given.
#[derive(Clone, Copy, Debug, Args)]
pub(crate) struct PeersArguments {
    /// Level of play whose published values are shown: 12-15 or 16-18 (years), college, pro [default: by --age, else none].
    #[arg(long, value_name = "LEVEL")]
    pub(crate) level: Option<Level>,
    /// Age, years.
    #[arg(long, value_name = "YEARS", value_parser = age_years)]
    pub(crate) age: Option<f64>,
}

/// Options of `keypoints`.
#[derive(Debug, Args)]
pub(crate) struct KeypointsArguments {
    /// The video.
    pub(crate) video: PathBuf,
    /// File to write, e.g. joints.csv.
    #[arg(long, short)]
    pub(crate) out: PathBuf,
    /// Keypoint network's manifest [default: the one that comes along].
    #[arg(long, value_name = "MANIFEST")]
    pub(crate) model: Option<PathBuf>,
    /// What the networks run on: the processor, or an NVIDIA GPU (needs a CUDA build of ONNX Runtime in ORT_DYLIB_PATH).
    #[arg(long, value_enum, default_value_t = DeviceName::Cpu)]
    pub(crate) device: DeviceName,
    /// The recording is a slow-motion clip made at this rate.
    #[arg(long, value_name = "HZ", value_parser = rate_hz)]
    pub(crate) capture_fps: Option<f64>,
    /// Also write a picture with the skeleton drawn, every so many frames, into this folder.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) overlay: Option<PathBuf>,
}

/// A hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Hand {
    /// The left.
    Left,
    /// The right.
    Right,
}

/// What networks run on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum DeviceName {
    /// The processor.
    Cpu,
    /// An NVIDIA GPU.
    Cuda,
}

/// Which sex's table of body segments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Sex {
    /// Men's.
    Male,
    /// Women's.
    Female,
}

/// `COLSxROWS`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Grid {
    /// Inner corners along the long side.
    pub(crate) cols: usize,
    /// Inner corners along the short side.
    pub(crate) rows: usize,
}

impl FromStr for Grid {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong =
            || format!("'{text}' is not COLSxROWS, e.g. 9x6 (inner corners: one less than the squares)");
        let (cols, rows) = text.split_once(['x', 'X']).ok_or_else(wrong)?;
        let (cols, rows) = (
            cols.trim().parse().map_err(|_| wrong())?,
            rows.trim().parse().map_err(|_| wrong())?,
        );
        if !(3..=40).contains(&cols) || !(3..=40).contains(&rows) {
            return Err(format!(
                "{cols}x{rows} inner corners: each must be between 3 and 40"
            ));
        }
        Ok(Self { cols, rows })
    }
}

/// `L,R`: one number for each phone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Both {
    /// LEFT's.
    pub(crate) left: f64,
    /// RIGHT's.
    pub(crate) right: f64,
}

impl FromStr for Both {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || format!("'{text}' is not two positive numbers as L,R, e.g. 3.2,3.9");
        let (left, right) = text.split_once(',').ok_or_else(wrong)?;
        let parse = |t: &str| {
            t.trim()
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite() && *v >= 0.0)
        };
        Ok(Self {
            left: parse(left).ok_or_else(wrong)?,
            right: parse(right).ok_or_else(wrong)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definitions_hold_together_and_every_option_has_help() {
        Arguments::command().debug_assert();
        for sub in Arguments::command().get_subcommands() {
            for argument in sub.get_arguments() {
                assert!(
                    argument.get_help().is_some(),
                    "{} {} has no help",
                    sub.get_name(),
                    argument.get_id()
                );
            }
        }
    }

    #[test]
    fn a_grid_is_read_and_nonsense_is_refused() {
        assert_eq!("9x6".parse::<Grid>(), Ok(Grid { cols: 9, rows: 6 }));
        assert!("9".parse::<Grid>().is_err());
        assert!("0x6".parse::<Grid>().is_err());
        assert!("9x-6".parse::<Grid>().is_err());
    }

    #[test]
    fn numbers_have_bounds() {
        assert_eq!(height_m("1.88"), Ok(1.88));
        for slip in ["188", "0", "-1.8", "nan", "inf", "tall", ""] {
            assert!(height_m(slip).is_err(), "{slip}");
        }
        assert_eq!(offset_s("-0.25"), Ok(-0.25));
        assert!(offset_s("nan").is_err());
    }

    #[test]
    fn two_numbers_are_read() {
        assert_eq!(
            "3.2, 3.9".parse::<Both>(),
            Ok(Both {
                left: 3.2,
                right: 3.9
            })
        );
        assert!("3.2".parse::<Both>().is_err());
        assert!("nan,1".parse::<Both>().is_err());
    }
}
