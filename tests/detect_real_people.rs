//! The detector on real people: the pedestrian video of Debian's package opencv-doc (`vtest.avi`, people of 50 to 110
//! pixels), and a crop of it read by Python's ONNX Runtime.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use serde::Deserialize;
use sha2::{Digest, Sha256};

use twinmound::detect::{
    AthleteFinder, CentreLocator, Crop, DetectSettings, HeatmapDetector, KeypointDetector, Models,
    PersonLocator, PersonTrack, Runtime, draw_skeleton, mend_swaps, png, shipped_models,
};
use twinmound::ingest::{Frame, IngestOptions, open_clip};
use twinmound::picture::{ColourMatrix, Grey, Picture, Region};
use twinmound::skeleton::Joint;
use twinmound::track::Pose2d;

const PEDESTRIANS: &str = "/usr/share/doc/opencv-doc/examples/data/vtest.avi";

/// A fifth of the video, with two to seven people in it at the same time, some behind each other.
const FRAMES: usize = 160;

fn reference(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/reference/detect")
        .join(name)
}

fn keypoints(name: &str) -> HeatmapDetector {
    HeatmapDetector::load(
        &Runtime::load().unwrap(),
        &shipped_models().unwrap().join(name),
        2,
    )
    .unwrap()
}

fn pedestrians(from: usize, to: usize) -> Vec<Frame> {
    let clip = open_clip(Path::new(PEDESTRIANS), &IngestOptions::default()).unwrap();
    let wanted = clip
        .frames_where(move |index, _| (from..to).contains(&index))
        .unwrap();
    wanted.take(to - from).map(Result::unwrap).collect()
}

/// The walker of `fixtures/reference/detect/make.py` in frame 60.
const WALKER: Region = Region {
    left_px: 581.0,
    top_px: 220.0,
    width_px: 102.0,
    height_px: 136.0,
};

#[derive(Deserialize)]
struct Expected {
    network_sha256: String,
    window_mean: HashMap<String, [f64; 2]>,
    centre_offset: HashMap<String, [f64; 2]>,
}

/// Outside reference: Python's ONNX Runtime and NumPy on the same crop (`fixtures/reference/detect`), with the float
/// network, in two ways of decoding.
#[test]
fn joints_agree_with_pythons_runtime_on_the_same_crop() {
    let expected: Expected =
        serde_json::from_str(&fs::read_to_string(reference("expected.json")).unwrap()).unwrap();
    let models = shipped_models().unwrap();
    let network = fs::read(models.join("general.onnx")).unwrap();
    let found: String = Sha256::digest(&network)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    assert_eq!(
        found, expected.network_sha256,
        "another network: make the reference again (its README.md says how)"
    );
    let planes = fs::read(reference("crop.yuv")).unwrap();
    let (width, height) = (192, 256);
    let (luma, chroma) = planes.split_at(width * height);
    let plane = |data: &[u8], share: usize| Grey {
        width: width / share,
        height: height / share,
        data: data.to_vec(),
    };
    let picture = Picture {
        luma: plane(luma, 1),
        cb: plane(&chroma[..chroma.len() / 2], 2),
        cr: plane(&chroma[chroma.len() / 2..], 2),
        full_range: false,
        matrix: ColourMatrix::Bt601,
    };
    let region = Region {
        left_px: 0.0,
        top_px: 0.0,
        width_px: width as f64,
        height_px: height as f64,
    };
    let manifest = fs::read_to_string(models.join("general.toml"))
        .unwrap()
        .replace("least_peak = 0.1", "");
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("general.onnx"), &network).unwrap();
    for (kind, expected) in [
        ("heatmap-argmax-window-mean", &expected.window_mean),
        ("heatmap-centre-offset", &expected.centre_offset),
    ] {
        let path = folder.path().join("general.toml");
        fs::write(&path, manifest.replace("heatmap-centre-offset", kind)).unwrap();
        let mut detector = HeatmapDetector::load(&Runtime::load().unwrap(), &path, 2).unwrap();
        let detection = &detector
            .detect(&[Crop {
                picture: &picture,
                region,
            }])
            .unwrap()[0];
        let mut worst = 0.0_f64;
        for (name, [x_px, y_px]) in expected {
            let found = detection.joints[name.parse::<Joint>().unwrap()].unwrap();
            worst = worst.max((found.at.x_px - x_px).hypot(found.at.y_px - y_px));
        }
        println!("{kind}: largest difference from Python {worst:.4} px");
        assert!(worst <= 0.05, "{kind}: {worst} px");
    }
}

/// Boxes round the three people who stand free in frame 60, by eye (middle x, top, bottom; some 3 px exact).
#[test]
fn the_locator_finds_the_people_of_a_picture() {
    let people = [
        (486.0, 203.0, 293.0),
        (516.0, 201.0, 284.0),
        (632.0, 233.0, 341.0),
    ];
    let frames = pedestrians(60, 61);
    let manifest = shipped_models().unwrap().join("locator.toml");
    let mut locator = CentreLocator::load(&Runtime::load().unwrap(), &manifest, 2).unwrap();
    let start = Instant::now();
    let found = locator.locate(&frames[0].picture).unwrap();
    println!(
        "{} people located in {:.1} ms: {found:?}",
        found.len(),
        start.elapsed().as_secs_f64() * 1e3
    );
    for (x, top, bottom) in people {
        let fits = found.iter().any(|p| {
            let region = p.region;
            (region.left_px + region.width_px / 2.0 - x).abs() < 8.0
                && (region.top_px - top).abs() < 12.0
                && (region.top_px + region.height_px - bottom).abs() < 12.0
        });
        assert!(fits, "nobody at {x}, {top} to {bottom}");
    }
    assert!(found.len() <= 8, "{} found of six people", found.len());
}

/// Distance of two joints' midpoints, in pixels.
fn length_px(pose: &Pose2d, from: [Joint; 2], to: [Joint; 2]) -> Option<f64> {
    let middle = |[a, b]: [Joint; 2]| Some((pose.joints[a]?.at.vector() + pose.joints[b]?.at.vector()) / 2.0);
    Some((middle(from)? - middle(to)?).norm())
}

/// Coefficient of variation of a length against its own running mean over 21 poses (people come nearer or walk away).
fn variation(lengths: &[f64]) -> f64 {
    let ratios: Vec<f64> = (10..lengths.len() - 10)
        .map(|i| lengths[i] / (lengths[i - 10..=i + 10].iter().sum::<f64>() / 21.0))
        .collect();
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    (ratios.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / ratios.len() as f64).sqrt() / mean
}

/// Walkers seen from above at about 70 px: the trunk's length is the one that walking does not change in the picture.
#[test]
fn walkers_are_followed_with_steady_trunks() {
    let runtime = Runtime::load().unwrap();
    let mut models = Models::load(&runtime, None, 2).unwrap();
    let mut finder = AthleteFinder::new(DetectSettings {
        most_people: 4,
        ..DetectSettings::default()
    });
    let clip = open_clip(Path::new(PEDESTRIANS), &IngestOptions::default()).unwrap();
    let mut pictures = Vec::new();
    for frame in clip.frames().unwrap().take(FRAMES) {
        let frame = [frame.unwrap()];
        finder.take(&frame, &mut models).unwrap();
        let [frame] = frame;
        if frame.index % 50 == 10 {
            pictures.push(frame);
        }
    }
    let tracks = finder.tracks();
    draw(&pictures, &tracks);
    let (shoulders, hips) = (
        [Joint::LeftShoulder, Joint::RightShoulder],
        [Joint::LeftHip, Joint::RightHip],
    );
    let mut steady = 0;
    for person in tracks.iter().filter(|t| t.track.poses.len() >= 40) {
        let poses = &person.track.poses;
        let trunk: Vec<f64> = poses
            .iter()
            .filter_map(|p| length_px(p, shoulders, hips))
            .collect();
        let (_, mended) = mend_swaps(&person.track);
        let frames = poses.last().unwrap().frame - poses[0].frame + 1;
        println!(
            "{} of {frames} frames, {:.0} px: trunk varies by {:.1} %, {mended} frames with exchanged limbs",
            poses.len(),
            person.height_px,
            100.0 * variation(&trunk)
        );
        // Who walks behind another has no joints for as long as he is hidden; nobody here is hidden for more than a seventh.
        let whole = poses.len() * 7 >= frames * 6;
        steady += usize::from(whole && variation(&trunk) <= 0.08);
    }
    assert!(steady >= 4, "only {steady} walkers followed steadily");
}

/// Pictures for people to look at, where the variable `OVERLAYS` names a folder.
fn draw(pictures: &[Frame], tracks: &[PersonTrack]) {
    let Some(folder) = std::env::var_os("OVERLAYS") else {
        return;
    };
    for frame in pictures {
        let poses = tracks
            .iter()
            .filter_map(|t| t.track.poses.iter().find(|p| p.frame == frame.index));
        let people: Vec<_> = poses.map(|p| &p.joints).collect();
        let image = png(&draw_skeleton(&frame.picture, &people)).unwrap();
        fs::write(
            Path::new(&folder).join(format!("walkers-{:03}.png", frame.index)),
            image,
        )
        .unwrap();
    }
}

/// A network of one's own: the general-purpose one gives its 17 points, and they lie where the shipped one's do.
#[test]
fn a_foreign_network_gives_its_own_joints_and_no_others() {
    let frames = pedestrians(60, 61);
    let crop = [Crop {
        picture: &frames[0].picture,
        region: WALKER,
    }];
    let (mut ours, mut foreign) = (keypoints("athlete.toml"), keypoints("general.toml"));
    let (a, b) = (ours.detect(&crop).unwrap(), foreign.detect(&crop).unwrap());
    assert_eq!(Joint::ALL.into_iter().filter(|j| foreign.gives(*j)).count(), 17);
    let mut worst = 0.0_f64;
    for joint in Joint::ALL {
        let (ours, theirs) = (a[0].joints[joint].unwrap(), b[0].joints[joint]);
        assert!(foreign.gives(joint) || theirs.is_none(), "{joint}");
        let limb = ["shoulder", "elbow", "wrist", "hip", "knee", "ankle"]
            .iter()
            .any(|l| joint.name().ends_with(l));
        if let (true, Some(theirs)) = (limb, theirs) {
            worst = worst.max(ours.at.distance_px(theirs.at));
        }
    }
    println!("largest distance between the two networks' limb joints: {worst:.1} px of a 110 px person");
    assert!(worst < 15.0, "{worst} px");
}

/// Time per crop at batch 8 on two threads. Printed, not judged: it depends on the machine and what else runs.
#[test]
fn time_per_crop() {
    let frames = pedestrians(60, 61);
    let mut detector = keypoints("athlete.toml");
    let crops = [Crop {
        picture: &frames[0].picture,
        region: WALKER,
    }; 8];
    let mut times_ms: Vec<f64> = (0..8)
        .map(|_| {
            let start = Instant::now();
            assert_eq!(detector.detect(&crops).unwrap().len(), 8);
            start.elapsed().as_secs_f64() * 1e3 / 8.0
        })
        .collect();
    times_ms.sort_by(f64::total_cmp);
    println!(
        "{:.1} ms a crop (best {:.1}) at batch 8",
        times_ms[4], times_ms[0]
    );
}
