//! The commands: from arguments to requests, from results to words.

use std::path::Path;

use crate::calibrate::{Board, Calibration, LensFile, RigFile, Verdict};
use crate::cli::args::{
    AthleteArguments, BoardArguments, Both, CalibrateArguments, Command, DemoArguments, DeviceName,
    ExportArguments, Hand, KeypointsArguments, LensArguments, MeasureArguments, PeersArguments, Sex,
};
use crate::cli::board::board_sheet;
use crate::cli::demo_table;
use crate::cli::place::place;
use crate::cli::session::session;
use crate::cli::terminal::{DONE, REFUSED, Terminal};
use crate::demo::{DemoRequest, demo};
use crate::detect::Device;
use crate::findings::Peers;
use crate::kinematics::{self, Athlete};
use crate::pipeline::{
    BoardRequest, JointsRequest, KeypointsRequest, MeasureRequest, MeasuredRecording, PipelineError,
    calibrate_recording, keypoints_of, make_lens, measure_joints, measure_recording, rig_page_path,
};
use crate::quality::Warning;
use crate::report::terminal_table;
use crate::skeleton::Side;
use crate::store::{DeliveryRecord, Export, ExportFormat, write_whole};

/// Runs one command; the exit code of what was done.
pub(crate) fn run(command: &Command, terminal: &Terminal) -> Result<u8, PipelineError> {
    match command {
        Command::Board(arguments) => board_sheet(arguments, terminal),
        Command::Place(arguments) => place(arguments, terminal),
        Command::Lens(arguments) => lens(arguments, terminal),
        Command::Calibrate(arguments) => calibrate(arguments, terminal),
        Command::Measure(arguments) => measure(arguments, terminal),
        Command::Session(arguments) => session(arguments, terminal),
        Command::Export(arguments) => export(arguments, terminal),
        Command::Keypoints(arguments) => keypoints(arguments, terminal),
        Command::Demo(arguments) => run_demo(arguments, terminal),
    }
}

fn lens(arguments: &LensArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let made = make_lens(
        &arguments.video,
        board(&arguments.board, None),
        &arguments.out,
        terminal,
    )?;
    if terminal.json() {
        terminal.result(&LensFile::from(&made).to_json());
    } else {
        terminal.result(&format!(
            "{}: {} pictures, RMS {:.2} px, verdict {}",
            arguments.out.display(),
            made.quality.pictures,
            made.quality.rms_px,
            verdict_word(made.judgement.verdict)
        ));
    }
    Ok(judged(made.judgement.verdict, &made.judgement.reasons, terminal))
}

fn calibrate(arguments: &CalibrateArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let request = BoardRequest {
        left: arguments.left.clone(),
        right: arguments.right.clone(),
        board: board(&arguments.board, arguments.margin_mm),
        lenses: [arguments.lens_left.clone(), arguments.lens_right.clone()],
        stereo: arguments
            .stereo
            .clone()
            .zip(arguments.stereo_unit_mm.map(|mm| mm / 1000.0)),
        phones_apart_m: arguments.phones_apart_m,
        board_at_m: arguments.board_at_m.map(|at| [at.toward_m, at.right_m]),
        board_levelled: arguments.board_levelled,
        ground: arguments.ground.iter().map(|mark| mark.0).collect(),
        offset_s: arguments.offset_s,
        out: arguments.out.clone(),
    };
    let (calibration, warnings) = calibrate_recording(&request, terminal)?;
    warnings.iter().for_each(|w| terminal.warn(w));
    if terminal.json() {
        terminal.result(&RigFile::from(&calibration).to_json());
    } else {
        terminal.result(&rig_words(&calibration, &arguments.out));
    }
    Ok(judged(
        calibration.judgement.verdict,
        &calibration.judgement.reasons,
        terminal,
    ))
}

fn rig_words(c: &Calibration, out: &Path) -> String {
    let mut words = format!(
        "{}: verdict {}\n  RMS {:.2} px; {} pairs; phones {:.2} m apart, lines of sight {:.0} degrees apart at the mound",
        out.display(),
        verdict_word(c.judgement.verdict),
        c.rms_px,
        c.pairs,
        c.rig.right_from_left.baseline_m(),
        c.angle_deg,
    );
    if let Some(error) = &c.joint_error {
        let [x, y, z] = error.with_joints_mm;
        words.push_str(&format!("\n  expected error of a joint at the mound: {x:.0}, {y:.0}, {z:.0} mm (toward the target, up, sideways)"));
    }
    match &c.world {
        Ok(w) if w.marks > 0 => words.push_str(&format!(
            "\n  world frame from {} marks on the ground{}: vertical +- {:.1} degrees, target line +- {:.1} degrees",
            w.marks,
            if w.standings > 0 { " and the upright board" } else { "" },
            w.sd_tilt_deg,
            w.sd_yaw_deg,
        )),
        Ok(w) => words.push_str(&format!(
            "\n  world frame from the upright board, stood {}: vertical +- {:.1} degrees, target line +- {:.1} degrees{}",
            times(w.standings),
            w.sd_tilt_deg,
            w.sd_yaw_deg,
            if w.standings < 3 { " (set it down anew three to five times to halve that)" } else { "" }
        )),
        Err(reason) => words.push_str(&format!(
            "\n  no world frame ({reason}): tilts and directions will not be measurable"
        )),
    }
    words.push_str(&format!(
        "\n  where each phone saw the board, and what to redo: {}",
        rig_page_path(out).display()
    ));
    words
}

fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        more => format!("{more} times"),
    }
}

fn measure(arguments: &MeasureArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let seconds = |ms: Option<Both>| ms.map(|b| [b.left / 1000.0, b.right / 1000.0]);
    let videos = (&arguments.left, &arguments.right, &arguments.rig);
    let recording = match (videos, &arguments.joints) {
        ((Some(left), Some(right), Some(rig)), _) => measure_recording(
            &MeasureRequest {
                left: left.clone(),
                right: right.clone(),
                rig: rig.clone(),
                out: arguments.out.clone(),
                athlete: athlete(&arguments.athlete),
                readout_s: seconds(arguments.readout_ms),
                exposure_s: seconds(arguments.exposure_ms),
                offset_s: arguments.offset_s,
                capture_fps: arguments.capture_fps,
                refine_rig: arguments.refine_rig,
                model: arguments.model.clone(),
                device: device(arguments.device),
                cutoff_hz: arguments.cutoff_hz,
                peers: peers(arguments.athlete.peers),
            },
            terminal,
        )?,
        (_, joints) => measure_joints(
            &JointsRequest {
                joints: joints.clone().unwrap_or_default(),
                events: arguments.events.clone(),
                out: arguments.out.clone(),
                athlete: athlete(&arguments.athlete),
                cutoff_hz: arguments.cutoff_hz,
                peers: peers(arguments.athlete.peers),
            },
            terminal,
        )?,
    };
    show(&recording, terminal);
    Ok(DONE)
}

fn export(arguments: &ExportArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let format = ExportFormat::of(&arguments.out)?;
    let delivery = Export::read(&arguments.delivery)?;
    let exported = delivery.to_bytes(format)?;
    write_whole(&arguments.out, &exported.bytes)?;
    let rows = delivery.joints.times.len();
    if exported.made_even {
        terminal.warn(&Warning::new(
            "times_made_even",
            "the frames came at uneven times: a C3D file has one rate, so the joints were interpolated at even times",
            "for the joints as measured use .csv or .parquet",
        ));
    }
    if terminal.json() {
        terminal.result(&serde_json::json!({ "file": arguments.out, "rows": rows }).to_string());
    } else {
        terminal.result(&format!("{}: {rows} rows", arguments.out.display()));
    }
    Ok(DONE)
}

/// The tables of all deliveries, or their records for machines.
fn show(recording: &MeasuredRecording, terminal: &Terminal) {
    if terminal.json() {
        let records: Vec<&DeliveryRecord> = recording.deliveries.iter().map(|d| &d.record).collect();
        if let Ok(text) = serde_json::to_string_pretty(&records) {
            terminal.result(&text);
        }
        return;
    }
    for (i, delivery) in recording.deliveries.iter().enumerate() {
        terminal.result(&format!(
            "delivery {}\n{}",
            i + 1,
            terminal_table(&delivery.record)
        ));
        delivery.record.warnings.iter().for_each(|w| terminal.warn(w));
    }
    terminal.result(&format!("page: {}", recording.report.display()));
}

fn keypoints(arguments: &KeypointsArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let done = keypoints_of(
        &KeypointsRequest {
            video: arguments.video.clone(),
            out: arguments.out.clone(),
            model: arguments.model.clone(),
            device: device(arguments.device),
            capture_fps: arguments.capture_fps,
            overlay: arguments.overlay.clone(),
        },
        terminal,
    )?;
    done.warnings.iter().for_each(|w| terminal.warn(w));
    if terminal.json() {
        terminal.result(
            &serde_json::json!({ "file": arguments.out, "frames": done.frames, "found": done.found })
                .to_string(),
        );
    } else {
        terminal.result(&format!(
            "{}: the athlete in {} of {} frames",
            arguments.out.display(),
            done.found,
            done.frames
        ));
    }
    Ok(DONE)
}

fn run_demo(arguments: &DemoArguments, terminal: &Terminal) -> Result<u8, PipelineError> {
    let result = demo(
        &DemoRequest {
            out: arguments.out.clone(),
            style: arguments.style.clone(),
            seed: arguments.seed,
            throws: side(arguments.throws),
            peers: peers(arguments.peers),
        },
        device(arguments.device),
        terminal,
    )?;
    result.calibration_warnings.iter().for_each(|w| terminal.warn(w));
    show(&result.recording, terminal);
    if !terminal.json() {
        terminal.result(&demo_table::text(&result.comparison));
    }
    Ok(DONE)
}

/// The exit code of a verdict, its reasons said.
fn judged(verdict: Verdict, reasons: &[Warning], terminal: &Terminal) -> u8 {
    reasons.iter().for_each(|r| terminal.warn(r));
    if verdict == Verdict::Refused {
        REFUSED
    } else {
        DONE
    }
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Usable => "usable",
        Verdict::Refused => "refused",
    }
}

fn board(arguments: &BoardArguments, margin_mm: Option<f64>) -> Board {
    let mut board = Board::new(
        arguments.squares.cols,
        arguments.squares.rows,
        arguments.square_mm / 1000.0,
    );
    if let Some(margin_mm) = margin_mm {
        board.margin_m = margin_mm / 1000.0;
    }
    board
}

fn athlete(arguments: &AthleteArguments) -> Athlete {
    Athlete {
        height_m: arguments.height_m,
        mass_kg: arguments.mass_kg,
        sex: match arguments.sex {
            Some(Sex::Female) => kinematics::Sex::Female,
            _ => kinematics::Sex::Male,
        },
        throws: arguments.throws.map(side),
    }
}

pub(crate) fn peers(arguments: PeersArguments) -> Peers {
    Peers {
        level: arguments.level,
        age_years: arguments.age,
    }
}

fn device(name: DeviceName) -> Device {
    match name {
        DeviceName::Cpu => Device::Cpu,
        DeviceName::Cuda => Device::Cuda,
    }
}

fn side(hand: Hand) -> Side {
    match hand {
        Hand::Left => Side::Left,
        Hand::Right => Side::Right,
    }
}
