//! The shipped keypoint network on labelled real people, and the decoder against NumPy on all of their crops.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

#[path = "../benches/keypoints/people.rs"]
mod people;

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

use people::{Person, people, pictures};
use twinmound::detect::{
    Crop, CropTransform, Detection, HeatmapDetector, KeypointDetector, RawOutput, Runtime, shipped_models,
};
use twinmound::picture::{Picture, Region};
use twinmound::skeleton::Joint;

type Failure = Box<dyn std::error::Error>;

/// The published 17 points.
const PUBLISHED: [&str; 9] = [
    "nose", "eye", "ear", "shoulder", "elbow", "wrist", "hip", "knee", "ankle",
];

type Pictures = BTreeMap<(String, usize), Picture>;

fn detector(name: &str) -> HeatmapDetector {
    HeatmapDetector::load(
        &Runtime::load().unwrap(),
        &shipped_models().unwrap().join(name),
        2,
    )
    .unwrap()
}

fn picture<'a>(pictures: &'a Pictures, person: &Person) -> &'a Picture {
    &pictures[&(person.source.clone(), person.frame)]
}

/// NumPy's file format, version 1.0.
fn npy(output: &RawOutput) -> Vec<u8> {
    let mut header = String::from("{'descr': '<f4', 'fortran_order': False, 'shape': (");
    for size in &output.shape {
        write!(header, "{size}, ").unwrap();
    }
    header.push_str("), }");
    while (header.len() + 11) % 64 != 0 {
        header.push(' ');
    }
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((header.len() as u16).to_le_bytes());
    bytes.extend(header.as_bytes());
    bytes.extend(output.values.iter().flat_map(|v| v.to_le_bytes()));
    bytes
}

/// Outside reference: `fixtures/reference/detect/decode.py`, which reads the same raw outputs with NumPy.
#[test]
fn the_decoder_agrees_with_numpy_on_every_labelled_crop() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join(".setup/venv/bin/python");
    assert!(python.exists(), "run `make setup` first");
    let people = people().unwrap();
    let pictures = pictures(&people).unwrap();
    for (name, width_px, height_px) in [("athlete.toml", 288, 288), ("general.toml", 192, 256)] {
        let mut detector = detector(name);
        let regions: Vec<Region> = people.iter().map(|p| p.region(&detector)).collect();
        let crops: Vec<Crop<'_>> = people
            .iter()
            .zip(&regions)
            .map(|(person, region)| Crop {
                picture: picture(&pictures, person),
                region: *region,
            })
            .collect();
        let folder = tempfile::tempdir().unwrap();
        for output in detector.raw_outputs(&crops).unwrap() {
            fs::write(folder.path().join(format!("{}.npy", output.name)), npy(&output)).unwrap();
        }
        let script = root.join("fixtures/reference/detect/decode.py");
        let manifest = shipped_models().unwrap().join(name);
        let ran = Command::new(&python)
            .args([&script, &manifest, folder.path()])
            .status();
        assert!(ran.unwrap().success(), "{} failed", script.display());
        let text = fs::read_to_string(folder.path().join("decoded.json")).unwrap();
        // By name: the network gives points that are not ours too.
        let expected: Vec<HashMap<String, [f64; 2]>> = serde_json::from_str(&text).unwrap();
        let (mut worst_px, mut count) = (0.0_f64, 0);
        for ((found, expected), region) in detector
            .detect(&crops)
            .unwrap()
            .iter()
            .zip(&expected)
            .zip(&regions)
        {
            let input = CropTransform::new(*region, width_px, height_px);
            for joint in Joint::ALL {
                let answer = found.joints[joint].map(|j| input.to_input(j.at));
                assert_eq!(
                    answer.is_some(),
                    expected.contains_key(joint.name()),
                    "{name}: {joint}"
                );
                if let (Some((x, y)), Some([ex, ey])) = (answer, expected.get(joint.name())) {
                    worst_px = worst_px.max((x - ex).hypot(y - ey));
                    count += 1;
                }
            }
        }
        println!(
            "{name}: {count} points of {} crops, largest difference from NumPy {worst_px:.6} px",
            crops.len()
        );
        assert!(worst_px <= 0.05, "{name}: {worst_px} px");
    }
}

/// Share of the visible published points of half B within a share of the trunk's length; a missing answer is wrong.
fn within(people: &[Person], answers: &[Detection], limit: f64) -> f64 {
    let (mut near, mut all) = (0.0, 0.0);
    for (person, found) in people.iter().zip(answers).filter(|(p, _)| p.half == 'B') {
        let trunk_px = person.trunk_px().unwrap();
        for joint in Joint::ALL
            .into_iter()
            .filter(|j| PUBLISHED.iter().any(|p| j.name().ends_with(p)))
        {
            if let Some(label) = person.labels[joint].filter(|l| l.visible) {
                all += 1.0;
                let answer = found.joints[joint].map(|j| j.at.distance_px(label.at) / trunk_px);
                near += f64::from(u8::from(answer.is_some_and(|d| d < limit)));
            }
        }
    }
    near / all
}

/// Our own labels (`fixtures/real_people/README.md`). The shipped network must find real people's points about as often as
/// the general-purpose network that it started from, on the same crops; the bench prints all figures.
#[test]
fn real_people_are_seen_about_as_well_as_by_the_starting_network() {
    let people = people().unwrap();
    assert!(people.len() >= 60 && people.iter().enumerate().all(|(i, p)| p.number == i + 1));
    let pictures = pictures(&people).unwrap();
    let [ours, general] = ["athlete.toml", "general.toml"].map(|name| {
        let mut detector = detector(name);
        let look = |person: &Person| {
            let crop = Crop {
                picture: picture(&pictures, person),
                region: person.region(&detector),
            };
            detector.detect(&[crop]).unwrap().remove(0)
        };
        let answers: Vec<Detection> = people.iter().map(look).collect();
        [within(&people, &answers, 0.2), within(&people, &answers, 0.1)]
    });
    println!("within 20 % and 10 % of the trunk, half B: shipped {ours:.3?}, general-purpose {general:.3?}");
    assert!(ours[0] >= general[0] - 0.03, "{} against {}", ours[0], general[0]);
}

/// What later stages are told of the network's errors was measured with this network.
#[test]
fn the_data_file_of_errors_is_of_the_shipped_network() {
    let read = |name: &str| -> toml::Table {
        let text = fs::read_to_string(shipped_models().unwrap().join(name)).unwrap();
        text.parse().unwrap()
    };
    assert_eq!(
        read("athlete-errors.toml")["network_sha256"],
        read("athlete.toml")["sha256"],
        "another network: run `make keypoints-bench`"
    );
}
