//! What a person wears, as far as a few pixels tell: histograms of colour of trunk and thighs.
//!
//! Team mates are dressed alike, so likeness proves nothing; unlikeness speaks against one person.

use super::Detection;
use crate::geometry::PixelPoint;
use crate::picture::{Grey, Picture};
use crate::skeleton::Joint;

/// Bins of luma, and of each of the two colour differences within [`CHROMA_REACH`] of grey.
const LUMA_BINS: usize = 5;
const CHROMA_BINS: usize = 7;
const CHROMA_REACH: f64 = 42.0;
const BINS: usize = LUMA_BINS * CHROMA_BINS * CHROMA_BINS;

/// Points looked at along and across a part of the body.
const GRID: usize = 6;

/// A part with fewer points says nothing.
const LEAST_POINTS: f64 = 60.0;

/// Colours of one part of the body.
#[derive(Clone, Debug)]
struct Histogram {
    share: Vec<f64>,
    points: f64,
}

/// Colours of one person.
#[derive(Clone, Debug)]
pub(super) struct Appearance {
    trunk: Histogram,
    thighs: Histogram,
}

impl Appearance {
    pub(super) fn new() -> Self {
        let none = Histogram {
            share: vec![0.0; BINS],
            points: 0.0,
        };
        Self {
            trunk: none.clone(),
            thighs: none,
        }
    }

    /// Adds what is seen of trunk and thighs where the network is sure of their joints.
    pub(super) fn add(&mut self, picture: &Picture, found: &Detection) {
        let at = |joint: Joint| found.joints[joint].filter(|_| found.sure[joint]).map(|j| j.at);
        if let (Some(a), Some(b), Some(c), Some(d)) = (
            at(Joint::LeftShoulder),
            at(Joint::RightShoulder),
            at(Joint::LeftHip),
            at(Joint::RightHip),
        ) {
            for i in 0..GRID {
                for j in 0..GRID {
                    // The inner part: the edges are the background's.
                    let (u, v) = (inner(i, 0.2), inner(j, 0.15));
                    self.trunk
                        .add(picture, between(between(a, b, u), between(c, d, u), v));
                }
            }
        }
        for (hip, knee) in [
            (Joint::LeftHip, Joint::LeftKnee),
            (Joint::RightHip, Joint::RightKnee),
        ] {
            if let (Some(hip), Some(knee)) = (at(hip), at(knee)) {
                for i in 0..2 * GRID {
                    let along = 0.15 + 0.7 * (i as f64 + 0.5) / (2 * GRID) as f64;
                    self.thighs.add(picture, between(hip, knee, along));
                }
            }
        }
    }

    /// How unlike two people are dressed: 0 alike, 1 no colour shared (Hellinger's distance of the histograms); `None` when
    /// too little was seen.
    pub(super) fn unlike(&self, other: &Self) -> Option<f64> {
        let parts = [
            self.trunk.distance(&other.trunk),
            self.thighs.distance(&other.thighs),
        ];
        let known: Vec<f64> = parts.into_iter().flatten().collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    }
}

impl Histogram {
    fn add(&mut self, picture: &Picture, at: PixelPoint) {
        let luma = f64::from(nearest(&picture.luma, at.x_px, at.y_px));
        let (cx, cy) = ((at.x_px - 0.5) / 2.0, (at.y_px - 0.5) / 2.0);
        let cb = f64::from(nearest(&picture.cb, cx, cy)) - 128.0;
        let cr = f64::from(nearest(&picture.cr, cx, cy)) - 128.0;
        let bin = |share: f64, bins: usize| ((share * bins as f64).max(0.0) as usize).min(bins - 1);
        let chroma = |value: f64| bin((value / CHROMA_REACH + 1.0) / 2.0, CHROMA_BINS);
        let index = (bin(luma / 256.0, LUMA_BINS) * CHROMA_BINS + chroma(cb)) * CHROMA_BINS + chroma(cr);
        self.share[index] += 1.0;
        self.points += 1.0;
    }

    fn distance(&self, other: &Self) -> Option<f64> {
        if self.points < LEAST_POINTS || other.points < LEAST_POINTS {
            return None;
        }
        let shared: f64 = self
            .share
            .iter()
            .zip(&other.share)
            .map(|(a, b)| (a / self.points * b / other.points).sqrt())
            .sum();
        Some((1.0 - shared).max(0.0).sqrt())
    }
}

/// The middle of one of [`GRID`] parts of a way whose two ends are left out.
fn inner(i: usize, margin: f64) -> f64 {
    margin + (1.0 - 2.0 * margin) * (i as f64 + 0.5) / GRID as f64
}

fn between(a: PixelPoint, b: PixelPoint, share: f64) -> PixelPoint {
    PixelPoint::new(
        a.x_px + share * (b.x_px - a.x_px),
        a.y_px + share * (b.y_px - a.y_px),
    )
}

fn nearest(plane: &Grey, x: f64, y: f64) -> u8 {
    let cut = |v: f64, length: usize| (v.round().max(0.0) as usize).min(length.saturating_sub(1));
    plane.at(cut(x, plane.width), cut(y, plane.height))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::ColourMatrix;
    use crate::skeleton::PerJoint;
    use crate::track::ImageJoint;

    /// A person of 100 px in a picture whose upper and lower halves have a colour each.
    fn dressed(jersey: (u8, u8), trousers: (u8, u8)) -> (Picture, Detection) {
        let (width, height) = (80, 120);
        let split = |top: u8, bottom: u8, rows: usize, columns: usize| Grey {
            width: columns,
            height: rows,
            data: (0..rows * columns)
                .map(|i| if i / columns < rows / 2 { top } else { bottom })
                .collect(),
        };
        let picture = Picture {
            luma: split(jersey.0, trousers.0, height, width),
            cb: split(jersey.1, trousers.1, height / 2, width / 2),
            cr: Grey::filled(width / 2, height / 2, 128),
            full_range: true,
            matrix: ColourMatrix::Bt709,
        };
        let joints = PerJoint::from_fn(|joint| {
            let (x, y) = match joint {
                Joint::LeftShoulder => (50.0, 25.0),
                Joint::RightShoulder => (30.0, 25.0),
                Joint::LeftHip => (46.0, 55.0),
                Joint::RightHip => (34.0, 55.0),
                Joint::LeftKnee => (46.0, 95.0),
                Joint::RightKnee => (34.0, 95.0),
                _ => return None,
            };
            Some(ImageJoint {
                at: PixelPoint::new(x, y),
                sd_px: 1.0,
                visible: 1.0,
            })
        });
        let found = Detection {
            sure: PerJoint::from_fn(|joint| joints[joint].is_some()),
            joints,
            sureness: 1.0,
        };
        (picture, found)
    }

    #[test]
    fn clothes_tell_people_apart_and_the_same_clothes_do_not() {
        let look = |jersey, trousers| {
            let mut seen = Appearance::new();
            for _ in 0..3 {
                let (picture, found) = dressed(jersey, trousers);
                seen.add(&picture, &found);
            }
            seen
        };
        let (red, blue) = ((90, 100), (90, 160));
        let white = (220, 128);
        assert_eq!(look(red, white).unlike(&look(red, white)), Some(0.0));
        let other = look(red, white).unlike(&look(blue, white)).unwrap();
        assert!((0.4..=0.6).contains(&other), "{other}");
        let all = look(red, white).unlike(&look(blue, blue)).unwrap();
        assert!(all > 0.9, "{all}");
        assert_eq!(look(red, white).unlike(&Appearance::new()), None);
    }
}
