//! The program as a person or a script meets it: what it says, where it says it, its exit codes, what it leaves behind.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};

use serde_json::{Value, json};
use tempfile::TempDir;

use twinmound::picture::{ColourMatrix, Grey, Picture};
use twinmound::scene::encode::{FilmOptions, FilmWriter};
use twinmound::units::Seconds;

const COMMANDS: [&str; 9] = [
    "demo",
    "board",
    "place",
    "lens",
    "calibrate",
    "measure",
    "session",
    "export",
    "keypoints",
];

/// What a panic prints, whatever the exit code.
const PANIC: &str = "panicked at";

/// A folder to work in, and the program in it.
pub(crate) struct Desk(TempDir);

impl Desk {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Said {
        let output = Command::new(env!("CARGO_BIN_EXE_twinmound"))
            .args(arguments)
            .current_dir(self.0.path())
            .env_remove("RUST_LOG")
            .output()
            .unwrap();
        Said::new(&output)
    }

    /// A film of a grey wall, `frames` at 240 Hz, without sound; `shade` tells two apart.
    pub(crate) fn wall(&self, name: &str, (width, height): (usize, usize), frames: usize, shade: u8) {
        let picture = Picture {
            luma: Grey::filled(width, height, shade),
            cb: Grey::filled(width / 2, height / 2, 128),
            cr: Grey::filled(width / 2, height / 2, 128),
            full_range: false,
            matrix: ColourMatrix::Bt709,
        };
        let options = FilmOptions::default();
        let mut film = FilmWriter::create(&self.at(name), width, height, (240, 1), None, options).unwrap();
        for frame in 0..frames {
            film.push(&picture, Seconds(frame as f64 / 240.0)).unwrap();
        }
        film.finish().unwrap();
    }

    /// A `rig.json` written by hand from the format's description.
    pub(crate) fn rig(&self, name: &str, change: impl FnOnce(&mut Value)) {
        let mut rig = hand_made_rig();
        change(&mut rig);
        fs::write(self.at(name), rig.to_string()).unwrap();
    }

    /// Names in the folder, hidden ones too.
    pub(crate) fn names(&self) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(self.0.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

/// What a run of the program said.
pub(crate) struct Said {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Said {
    fn new(output: &Output) -> Self {
        let said = Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout.clone()).unwrap(),
            err: String::from_utf8(output.stderr.clone()).unwrap(),
        };
        assert!(!said.err.contains(PANIC), "{}", said.err);
        said
    }

    /// Refused for a reason of the person's, who is told all of `words`.
    pub(crate) fn refused(&self, words: &[&str]) {
        assert_eq!(self.code, Some(1), "{}\n{}", self.out, self.err);
        for word in words {
            assert!(self.err.contains(word), "no '{word}' in: {}", self.err);
        }
    }
}

/// Two phones of 320 x 180 pixels, 4 m apart.
pub(crate) fn hand_made_rig() -> Value {
    let phone = json!({
        "width_px": 320, "height_px": 180, "rate_hz": 240.0, "fx_px": 250.0, "fy_px": 250.0, "cx_px": 159.5,
        "cy_px": 89.5, "distortion": [0.0, 0.0, 0.0, 0.0, 0.0], "rms_px": 0.2, "pictures": 30, "sd": null,
    });
    let turn = |degrees: f64| {
        let (s, c) = degrees.to_radians().sin_cos();
        json!([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
    };
    json!({
        "schema": "twinmound.rig/1",
        "phones": [phone, phone],
        "right_from_left": {"rotation": turn(40.0), "translation_m": [-3.8, 0.0, 1.4], "sd_deg": 0.1, "sd_m": 0.01},
        "world_from_left": null,
        "world_reason": "no upright board was seen",
        "rms_px": 0.2,
        "verdict": "good",
        "reasons": [],
    })
}

#[test]
fn every_command_explains_itself() {
    let desk = Desk::new();
    let whole = desk.run(&["--help"]);
    assert_eq!(whole.code, Some(0));
    for command in COMMANDS {
        assert!(whole.out.contains(command), "{command} is not in --help");
        let help = desk.run(&[command, "--help"]);
        assert_eq!(help.code, Some(0), "{command}");
        assert!(help.err.is_empty(), "{command}: {}", help.err);
        for word in ["Usage", "--quiet", "--json"] {
            assert!(help.out.contains(word), "{command}: no {word}");
        }
    }
    for option in [
        "--rig",
        "--height-m",
        "--mass-kg",
        "--sex",
        "--throws",
        "--readout-ms",
        "--exposure-ms",
    ] {
        assert!(desk.run(&["measure", "--help"]).out.contains(option), "{option}");
    }
    for option in [
        "--squares",
        "--square-mm",
        "--margin-mm",
        "--lens-left",
        "--lens-right",
    ] {
        assert!(
            desk.run(&["calibrate", "--help"]).out.contains(option),
            "{option}"
        );
    }
    assert_eq!(desk.run(&["--version"]).code, Some(0));
    assert!(desk.names().is_empty(), "{:?}", desk.names());
}

#[test]
fn what_is_typed_wrong_is_refused_with_the_right_form() {
    let desk = Desk::new();
    desk.run(&["demo", "-o", "out", "--style", "sideways"])
        .refused(&["sideways", "clean", "youth"]);
    desk.run(&[
        "lens",
        "a.mp4",
        "--squares",
        "9",
        "--square-mm",
        "70",
        "-o",
        "lens.json",
    ])
    .refused(&["COLSxROWS", "9x6"]);
    desk.run(&["measure", "a.mp4", "b.mp4", "-o", "out"])
        .refused(&["--rig"]);
    desk.run(&["pitch"]).refused(&["pitch"]);
    assert!(desk.names().is_empty(), "{:?}", desk.names());
}

#[test]
fn sizes_that_cannot_be_are_refused() {
    let desk = Desk::new();
    desk.wall("a.mp4", (320, 180), 30, 90);
    for wrong in ["0", "-70", "nan", "inf"] {
        let square = format!("--square-mm={wrong}");
        desk.run(&["lens", "a.mp4", "--squares", "9x6", &square, "-o", "lens.json"])
            .refused(&["square"]);
    }
    desk.rig("rig.json", |_| ());
    for wrong in [
        "--height-m=0",
        "--height-m=-1.8",
        "--height-m=nan",
        "--mass-kg=0",
        "--mass-kg=inf",
    ] {
        let name = wrong.split('=').next().unwrap();
        desk.run(&[
            "measure", "a.mp4", "a.mp4", "--rig", "rig.json", "-o", "out", wrong,
        ])
        .refused(&[name]);
    }
    assert_eq!(desk.names(), ["a.mp4", "rig.json"]);
}

#[test]
fn the_board_is_drawn_to_scale() {
    let desk = Desk::new();
    let said = desk.run(&["board", "-o", "board.svg"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(
        said.out.contains("board.svg") && said.out.contains("100 %"),
        "{}",
        said.out
    );
    let svg = fs::read_to_string(desk.at("board.svg")).unwrap();
    // ISO 216: A1 is 594 mm x 841 mm.
    assert!(
        svg.contains("width=\"841mm\"") && svg.contains("height=\"594mm\""),
        "not A1"
    );
    assert_eq!(desk.names(), ["board.svg"]);
}

#[test]
fn json_is_for_machines_and_stands_alone_on_stdout() {
    let desk = Desk::new();
    let said = desk.run(&["board", "-o", "board.svg", "--json"]);
    let value: Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(value["squares"], "9x6");
    assert_eq!(value["square_mm"], 70.0);
    let refused = desk.run(&["keypoints", "none.mp4", "-o", "joints.csv", "--json"]);
    assert_eq!(refused.code, Some(1));
    let value: Value = serde_json::from_str(&refused.out).unwrap();
    assert!(value["error"].as_str().unwrap().contains("none.mp4"), "{value}");
}

#[test]
fn quiet_leaves_stderr_silent() {
    let desk = Desk::new();
    let said = desk.run(&["--quiet", "board", "-o", "board.svg"]);
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    // An error is said nevertheless, and nothing else.
    desk.wall("a.mp4", (320, 180), 30, 90);
    let said = desk.run(&[
        "--quiet",
        "lens",
        "a.mp4",
        "--squares",
        "9x6",
        "--square-mm",
        "70",
        "-o",
        "l.json",
    ]);
    said.refused(&["error:"]);
    assert!(!said.err.contains("look for the board"), "{}", said.err);
    assert_eq!(said.out, "");
}
