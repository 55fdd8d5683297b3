//! The detector on real people.
use std::path::{Path, PathBuf};

use twinmound::detect::*;
use twinmound::ingest::{IngestOptions, open_clip};
use twinmound::quality::Silent;

#[test]
fn trial() {
    let runtime = Runtime::load().unwrap();
    let manifest = PathBuf::from(std::env::var("TRIAL_MODEL").unwrap());
    let mut models = Models::load(&runtime, Some(&manifest), 2).unwrap();
    let clip = open_clip(
        Path::new("/usr/share/doc/opencv-doc/examples/data/vtest.avi"),
        &IngestOptions::default(),
    )
    .unwrap();
    println!("{:?}", clip.info);
    let mut finder = AthleteFinder::new(DetectSettings {
        most_people: 8,
        ..DetectSettings::default()
    });
    let start = std::time::Instant::now();
    let mut kept = Vec::new();
    for frame in clip.frames().unwrap() {
        let frame = frame.unwrap();
        if frame.index >= 400 {
            break;
        }
        let batch = [frame];
        finder.take(&batch, &mut models).unwrap();
        let [frame] = batch;
        if frame.index % 40 == 20 {
            kept.push(frame);
        }
    }
    println!("{:?}", start.elapsed());
    let tracks = finder.tracks();
    for t in &tracks {
        println!(
            "{} poses from {} height {:.0} throw {:.1}",
            t.track.poses.len(),
            t.track.poses[0].frame,
            t.height_px,
            t.throw_heights_per_s
        );
    }
    for frame in kept {
        let people: Vec<_> = tracks
            .iter()
            .filter_map(|t| t.track.poses.iter().find(|p| p.frame == frame.index))
            .map(|p| &p.joints)
            .collect();
        std::fs::write(
            format!("/tmp/ov_{:03}.png", frame.index),
            png(&draw_skeleton(&frame.picture, &people)).unwrap(),
        )
        .unwrap();
    }
    let clip2 = clip.clone();
    let f = follow_athlete(
        clip2.frames().unwrap().take(200),
        &mut models,
        &DetectSettings::default(),
        &Silent,
    )
    .unwrap();
    println!("{} {:?}", f.track.poses.len(), f.warnings);
}
