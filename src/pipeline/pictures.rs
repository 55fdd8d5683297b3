//! Pictures of the key moments: the athlete with his skeleton, from both phones.

use image::imageops;

use crate::detect::{draw_skeleton, png};
use crate::geometry::Phone;
use crate::ingest::Frame;
use crate::pipeline::{Recording, error};
use crate::report::KeyPicture;
use crate::store::EventsRecord;
use crate::track::{Pose2d, PoseTrack};

/// Height of a key picture on the page, pixels.
const HEIGHT_PX: u32 = 420;

/// Room round the athlete, as a share of his height in the picture.
const ROOM: f64 = 0.18;

/// Pictures at every event that was found, in order of time; a picture that cannot be made is left out.
pub(crate) fn key_pictures(recording: &Recording, events: &EventsRecord) -> Vec<KeyPicture> {
    let mut pictures = Vec::new();
    for (phone, track) in [Phone::Left, Phone::Right].into_iter().zip(&recording.tracks) {
        let shift_s = if phone == Phone::Left {
            0.0
        } else {
            recording.clock.offset_s
        };
        let delay_s = recording.shutters[phone as usize].middle_delay().0;
        // The frame whose middle instant is nearest to each event.
        let wanted: Vec<(&str, f64, &Pose2d)> = events
            .named()
            .into_iter()
            .filter_map(|(name, event)| {
                let time_s = event?.time_s;
                let pose = nearest(track, time_s - shift_s - delay_s)?;
                Some((name, time_s, pose))
            })
            .collect();
        let Some(last) = wanted.iter().map(|(_, _, pose)| pose.frame).max() else {
            continue;
        };
        let is_wanted = |frame: usize| wanted.iter().any(|(_, _, pose)| pose.frame == frame);
        let Ok(frames) = recording.clips[phone as usize].frames_where(|index, _| is_wanted(index)) else {
            continue;
        };
        for frame in frames.filter_map(Result::ok).take_while(|f| f.index <= last) {
            for (name, time_s, pose) in wanted.iter().filter(|(_, _, pose)| pose.frame == frame.index) {
                if let Some(bytes) = draw(&frame, pose) {
                    pictures.push((
                        *time_s,
                        phone,
                        KeyPicture {
                            event: (*name).to_owned(),
                            view: format!("{} phone", error::name(phone)),
                            png: bytes,
                        },
                    ));
                }
            }
            if frame.index == last {
                break;
            }
        }
    }
    pictures.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1 as u8).cmp(&(b.1 as u8))));
    pictures.into_iter().map(|(_, _, picture)| picture).collect()
}

fn nearest(track: &PoseTrack, pts_s: f64) -> Option<&Pose2d> {
    track
        .poses
        .iter()
        .min_by(|a, b| (a.pts.0 - pts_s).abs().total_cmp(&(b.pts.0 - pts_s).abs()))
}

/// The athlete cut out with his skeleton drawn, as PNG.
fn draw(frame: &Frame, pose: &Pose2d) -> Option<Vec<u8>> {
    let whole = draw_skeleton(&frame.picture, &[&pose.joints]);
    let points: Vec<_> = pose.joints.0.iter().flatten().map(|j| j.at).collect();
    let bound = |f: &dyn Fn(f64, f64) -> f64, start: f64, y: bool| {
        points
            .iter()
            .fold(start, |m, p| f(m, if y { p.y_px } else { p.x_px }))
    };
    let (left, right) = (
        bound(&f64::min, f64::INFINITY, false),
        bound(&f64::max, f64::NEG_INFINITY, false),
    );
    let (top, bottom) = (
        bound(&f64::min, f64::INFINITY, true),
        bound(&f64::max, f64::NEG_INFINITY, true),
    );
    if points.is_empty() {
        return None;
    }
    let room = ROOM * (bottom - top);
    let edge = |v: f64, most: u32| v.clamp(0.0, f64::from(most)) as u32;
    let (x0, x1) = (
        edge(left - room, whole.width()),
        edge(right + room, whole.width()),
    );
    let (y0, y1) = (
        edge(top - room, whole.height()),
        edge(bottom + room, whole.height()),
    );
    if x1 <= x0 + 8 || y1 <= y0 + 8 {
        return None;
    }
    let cut = imageops::crop_imm(&whole, x0, y0, x1 - x0, y1 - y0).to_image();
    let width = (f64::from(HEIGHT_PX) * f64::from(x1 - x0) / f64::from(y1 - y0))
        .round()
        .max(1.0) as u32;
    png(&imageops::resize(
        &cut,
        width,
        HEIGHT_PX,
        imageops::FilterType::Triangle,
    ))
    .ok()
}
