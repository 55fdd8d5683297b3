//! A contact sheet of stick figures, to be looked at.

use image::{Rgb, RgbImage};
use nalgebra::Vector3;
use twinmound::scene::motion::Delivery;
use twinmound::skeleton::{Joint, PerJoint};

use Joint as J;

const CELL_PX: u32 = 250;
const LINES: [(Joint, Joint, [u8; 3]); 26] = [
    (J::LeftHip, J::RightHip, [0, 0, 0]),
    (J::LeftShoulder, J::RightShoulder, [0, 0, 0]),
    (J::LeftHip, J::LeftShoulder, [150, 150, 150]),
    (J::RightHip, J::RightShoulder, [150, 150, 150]),
    (J::Neck, J::HeadTop, [0, 0, 0]),
    (J::Neck, J::Nose, [0, 160, 0]),
    (J::LeftShoulder, J::LeftElbow, [0, 60, 220]),
    (J::LeftElbow, J::LeftWrist, [0, 60, 220]),
    (J::LeftWrist, J::LeftKnuckle, [0, 160, 255]),
    (J::LeftHip, J::LeftKnee, [0, 60, 220]),
    (J::LeftKnee, J::LeftAnkle, [0, 60, 220]),
    (J::LeftAnkle, J::LeftHeel, [0, 60, 220]),
    (J::LeftHeel, J::LeftBigToe, [0, 160, 255]),
    (J::LeftAnkle, J::LeftBigToe, [0, 60, 220]),
    (J::LeftBigToe, J::LeftSmallToe, [0, 160, 255]),
    (J::RightShoulder, J::RightElbow, [210, 30, 30]),
    (J::RightElbow, J::RightWrist, [210, 30, 30]),
    (J::RightWrist, J::RightKnuckle, [255, 140, 0]),
    (J::RightHip, J::RightKnee, [210, 30, 30]),
    (J::RightKnee, J::RightAnkle, [210, 30, 30]),
    (J::RightAnkle, J::RightHeel, [210, 30, 30]),
    (J::RightHeel, J::RightBigToe, [255, 140, 0]),
    (J::RightAnkle, J::RightBigToe, [210, 30, 30]),
    (J::RightBigToe, J::RightSmallToe, [255, 140, 0]),
    (J::LeftShoulder, J::RightHip, [210, 210, 210]),
    (J::RightShoulder, J::LeftHip, [210, 210, 210]),
];

fn line(picture: &mut RgbImage, a: (f64, f64), b: (f64, f64), colour: [u8; 3]) {
    let n = (b.0 - a.0).abs().max((b.1 - a.1).abs()).ceil().max(1.0) as usize * 2;
    for i in 0..=n {
        let s = i as f64 / n as f64;
        let (x, y) = (a.0 + s * (b.0 - a.0), a.1 + s * (b.1 - a.1));
        for (dx, dy) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)] {
            let (x, y) = (x + dx, y + dy);
            if x >= 0.0 && y >= 0.0 && (x as u32) < picture.width() && (y as u32) < picture.height() {
                picture.put_pixel(x as u32, y as u32, Rgb(colour));
            }
        }
    }
}

/// Each instant from the open side (third base for a right-hander), from the target, and from above.
pub(crate) fn contact_sheet(delivery: &Delivery, times: &[f64]) -> RgbImage {
    let mut picture = RgbImage::from_pixel(CELL_PX * times.len() as u32, CELL_PX * 3, Rgb([255, 255, 255]));
    let scale = 78.0 * 1.8 / delivery.rig().height_m;
    for (column, t) in times.iter().enumerate() {
        let joints: PerJoint<Vector3<f64>> = delivery.joints_at(*t);
        let ball = delivery.ball_at(*t);
        for row in 0..3u32 {
            let (x0, y0) = (f64::from(CELL_PX) * column as f64, f64::from(CELL_PX * row));
            let (floor, half) = (y0 + 225.0, x0 + 125.0);
            let place = |p: &Vector3<f64>| match row {
                // From +z, target at the right: x to the right means looking along -z.
                0 => (x0 + 55.0 + p.x * scale, floor - p.y * scale),
                // From the target: the pitcher's right is at the left.
                1 => (half - p.z * scale, floor - p.y * scale),
                _ => (x0 + 55.0 + p.x * scale, y0 + 125.0 + p.z * scale),
            };
            line(
                &mut picture,
                (x0, y0),
                (x0, y0 + f64::from(CELL_PX)),
                [225, 225, 225],
            );
            if row < 2 {
                line(
                    &mut picture,
                    (x0, floor),
                    (x0 + f64::from(CELL_PX) - 1.0, floor),
                    [180, 150, 100],
                );
            }
            for (a, b, colour) in LINES {
                line(&mut picture, place(&joints[a]), place(&joints[b]), colour);
            }
            let Some((bx, by)) = ball.as_ref().map(&place) else {
                continue;
            };
            if bx > x0 && bx < x0 + f64::from(CELL_PX) - 3.0 {
                for d in -2..=2 {
                    let y = by + f64::from(d);
                    line(&mut picture, (bx - 2.0, y), (bx + 2.0, y), [0, 120, 0]);
                }
            }
        }
    }
    picture
}
