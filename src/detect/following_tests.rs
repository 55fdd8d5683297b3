//! Following and choosing, in a world seen through perfect networks.

use super::boxes::{contains, middle};
use super::{Crop, DetectError, DetectSettings, Detection, Models, RubberHint};
use crate::detect::{KeypointDetector, PersonBox, PersonLocator, follow_athlete};
use crate::geometry::PixelPoint;
use crate::ingest::Frame;
use crate::picture::{ColourMatrix, Grey, Picture, Region};
use crate::quality::Silent;
use crate::skeleton::Joint;
use crate::skeleton::PerJoint;
use crate::track::ImageJoint;
use crate::units::Seconds;

const RATE_HZ: f64 = 240.0;

/// A person of a height whose hips are somewhere at a time (or nowhere), and whose right hand swings so many heights.
#[derive(Clone, Copy)]
struct Actor {
    height_px: f64,
    hips: fn(f64) -> Option<(f64, f64)>,
    swing: f64,
}

/// A world seen through perfect networks: the frame's number is written into the picture's first two pixels.
#[derive(Clone)]
struct World(Vec<Actor>);

fn time_of(picture: &Picture) -> f64 {
    (f64::from(picture.luma.data[0]) + 256.0 * f64::from(picture.luma.data[1])) / RATE_HZ
}

fn frame(index: usize) -> Frame {
    let mut luma = Grey::filled(1280, 2, 0);
    luma.data[0] = (index % 256) as u8;
    luma.data[1] = (index / 256) as u8;
    let chroma = Grey::filled(640, 1, 128);
    Frame {
        index,
        pts: Seconds(index as f64 / RATE_HZ),
        picture: Picture {
            luma,
            cb: chroma.clone(),
            cr: chroma,
            full_range: true,
            matrix: ColourMatrix::Bt709,
        },
    }
}

impl Actor {
    fn joint(&self, joint: Joint, t: f64) -> Option<PixelPoint> {
        let (x, y) = (self.hips)(t)?;
        let reach = self.swing * (t * 6.0 * std::f64::consts::TAU).sin();
        let (dx, dy) = match joint {
            Joint::HeadTop => (0.0, -0.5),
            Joint::LeftShoulder => (0.1, -0.3),
            Joint::RightShoulder => (-0.1, -0.3),
            Joint::LeftHip => (0.05, 0.0),
            Joint::RightHip => (-0.05, 0.0),
            Joint::LeftAnkle => (0.1, 0.5),
            Joint::RightAnkle => (-0.1, 0.5),
            Joint::RightWrist => (-0.1 - reach, -0.3),
            Joint::LeftWrist => (0.15, 0.0),
            _ => return None,
        };
        Some(PixelPoint::new(x + dx * self.height_px, y + dy * self.height_px))
    }
}

impl World {
    /// Whoever stands lower in the picture hides those whose middle is behind him.
    fn hidden(&self, actor: &Actor, t: f64) -> bool {
        let Some((x, y)) = (actor.hips)(t) else {
            return false;
        };
        self.0.iter().any(|other| {
            (other.hips)(t).is_some_and(|(ox, oy)| {
                let lower = oy + other.height_px / 2.0 > y + actor.height_px / 2.0 + 1.0;
                lower && (ox - x).abs() < 0.15 * other.height_px
            })
        })
    }
}

impl KeypointDetector for World {
    fn detect(&mut self, crops: &[Crop<'_>]) -> Result<Vec<Detection>, DetectError> {
        let look = |crop: &Crop<'_>| {
            let (t, (x, y)) = (time_of(crop.picture), middle(&crop.region));
            let distance = |a: &&Actor| (a.hips)(t).map_or(f64::MAX, |(ax, ay)| (ax - x).hypot(ay - y));
            let seen = self.0.iter().filter(|a| !self.hidden(a, t));
            let nearest = seen.min_by(|a, b| distance(a).total_cmp(&distance(b)));
            let joints = PerJoint::from_fn(|joint| {
                let at = nearest
                    .and_then(|a| a.joint(joint, t))
                    .filter(|p| contains(&crop.region, *p))?;
                Some(ImageJoint {
                    at,
                    sd_px: 1.0,
                    visible: 1.0,
                })
            });
            let sure = PerJoint::from_fn(|joint| joints[joint].is_some());
            let sureness = sure.0.iter().filter(|s| **s).count() as f64 / 9.0;
            Detection {
                joints,
                sure,
                sureness,
            }
        };
        Ok(crops.iter().map(look).collect())
    }

    fn aspect(&self) -> f64 {
        0.75
    }

    fn person_share(&self) -> f64 {
        0.8
    }

    fn gives(&self, _joint: Joint) -> bool {
        true
    }
}

impl PersonLocator for World {
    fn locate(&mut self, picture: &Picture) -> Result<Vec<PersonBox>, DetectError> {
        let t = time_of(picture);
        let seen = self.0.iter().filter(|a| !self.hidden(a, t));
        let seen = seen.filter_map(|a| (a.hips)(t).map(|m| (m, a.height_px)));
        let boxes = seen.map(|((x, y), h)| PersonBox {
            region: Region {
                left_px: x - 0.2 * h,
                top_px: y - h / 2.0,
                width_px: 0.4 * h,
                height_px: h,
            },
            score: 0.9,
        });
        Ok(boxes.collect())
    }
}

fn follow(actors: &[Actor], frames: usize, rubber: Option<RubberHint>) -> crate::detect::Followed {
    let world = World(actors.to_vec());
    let mut models = Models {
        keypoints: Box::new(world.clone()),
        locator: Box::new(world),
    };
    let settings = DetectSettings {
        rubber,
        ..DetectSettings::default()
    };
    let film = (0..frames).map(|i| Ok::<_, std::io::Error>(frame(i)));
    follow_athlete(film, &mut models, &settings, &Silent).unwrap()
}

fn first_hip_x(followed: &crate::detect::Followed) -> f64 {
    followed.track.poses[0].joints[Joint::RightHip].unwrap().at.x_px
}

const PITCHER: Actor = Actor {
    height_px: 300.0,
    hips: |t| Some((400.0 + 700.0 * t, 360.0)),
    swing: 0.3,
};
const COACH: Actor = Actor {
    height_px: 380.0,
    hips: |_| Some((1000.0, 380.0)),
    swing: 0.01,
};

#[test]
fn a_fast_person_is_followed_in_every_frame_exactly() {
    let followed = follow(&[PITCHER], 240, None);
    assert_eq!(followed.track.poses.len(), 240);
    assert!(followed.warnings.is_empty(), "{:?}", followed.warnings);
    for pose in &followed.track.poses {
        for (joint, found) in pose.joints.iter() {
            assert_eq!(
                found.map(|f| f.at),
                PITCHER.joint(joint, pose.pts.0),
                "{joint} at {:?}",
                pose.pts
            );
        }
    }
}

#[test]
fn who_throws_is_the_athlete_even_beside_a_larger_person() {
    let followed = follow(&[COACH, PITCHER], 120, None);
    assert!(first_hip_x(&followed) < 500.0);
    assert!(followed.warnings.iter().any(|w| w.code == "several_people"));
}

#[test]
fn without_a_throw_the_largest_person_is_the_athlete_and_on_the_rubber_anyone() {
    let still = Actor {
        swing: 0.0,
        ..PITCHER
    };
    assert!(first_hip_x(&follow(&[still, COACH], 60, None)) > 900.0);
    let feet = Region {
        left_px: 330.0,
        top_px: 480.0,
        width_px: 140.0,
        height_px: 60.0,
    };
    let followed = follow(&[still, COACH], 60, Some(RubberHint { region: feet }));
    assert!(first_hip_x(&followed) < 500.0);
}

#[test]
fn a_hidden_person_is_found_again_and_the_gap_is_said() {
    let hidden = |t: f64| (!(0.3..0.7).contains(&t)).then_some((500.0, 360.0));
    let followed = follow(
        &[Actor {
            hips: hidden,
            ..PITCHER
        }],
        360,
        None,
    );
    let (before, after) = (72, 360 - 168);
    let found = followed.track.poses.len();
    // Searching again takes up to a tenth of a second.
    assert!(found <= before + after && found >= before + after - 30, "{found}");
    assert!(
        followed
            .track
            .poses
            .iter()
            .all(|p| !(0.3..0.7).contains(&p.pts.0))
    );
    assert!(followed.warnings.iter().any(|w| w.code == "athlete_lost"));
}

/// A pitcher who stands and throws, and somebody who walks across: in front of him (nearer, so lower and larger), or behind.
#[test]
fn who_walks_across_is_never_taken_for_the_athlete() {
    let pitcher = Actor {
        hips: |_| Some((640.0, 360.0)),
        ..PITCHER
    };
    let in_front = Actor {
        height_px: 370.0,
        hips: |t| Some((240.0 + 400.0 * t, 380.0)),
        swing: 0.02,
    };
    let behind = Actor {
        height_px: 250.0,
        hips: |t| Some((1040.0 - 400.0 * t, 350.0)),
        swing: 0.02,
    };
    for (walker, least) in [(in_front, 480 - 100), (behind, 480)] {
        let followed = follow(&[pitcher, walker], 480, None);
        for pose in &followed.track.poses {
            for (joint, found) in pose.joints.iter() {
                if let Some(found) = found {
                    assert_eq!(
                        Some(found.at),
                        pitcher.joint(joint, pose.pts.0),
                        "{joint} at {:?}",
                        pose.pts
                    );
                }
            }
        }
        let poses = followed.track.poses.len();
        assert!(poses >= least, "{poses}");
    }
}

/// Lost behind the one in front for good, the track ends: the rest of the film is not filled with the other's poses.
#[test]
fn who_stays_hidden_is_missing_and_not_replaced() {
    let pitcher = Actor {
        hips: |t| Some((400.0 + 100.0 * t, 360.0)),
        ..PITCHER
    };
    let wall = Actor {
        height_px: 380.0,
        hips: |t| Some((400.0 + 100.0 * t + (300.0 - 600.0 * t).max(0.0), 385.0)),
        swing: 0.01,
    };
    let followed = follow(&[pitcher, wall], 600, None);
    let last = followed.track.poses.last().unwrap().pts;
    assert!(last < Seconds(0.55), "{last:?}");
    assert!(first_hip_x(&followed) < 400.0);
}

#[test]
fn nobody_and_nothing_are_errors() {
    let mut models = Models {
        keypoints: Box::new(World(vec![])),
        locator: Box::new(World(vec![])),
    };
    let settings = DetectSettings::default();
    let film = (0..30).map(|i| Ok::<_, std::io::Error>(frame(i)));
    let nobody = follow_athlete(film, &mut models, &settings, &Silent);
    assert!(matches!(nobody, Err(DetectError::NoPerson { frames: 30 })));
    let nothing = std::iter::empty::<Result<Frame, std::io::Error>>();
    assert!(matches!(
        follow_athlete(nothing, &mut models, &settings, &Silent),
        Err(DetectError::NoFrames)
    ));
    let broken = std::iter::once(Err(std::io::Error::other("torn")));
    assert!(matches!(
        follow_athlete(broken, &mut models, &settings, &Silent),
        Err(DetectError::Frames(_))
    ));
}
