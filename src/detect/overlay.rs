//! Skeletons drawn on pictures, for people to look at.

use std::io::Cursor;

use image::{ImageFormat, Rgb, RgbImage};

use crate::geometry::PixelPoint;
use crate::picture::Picture;
use crate::skeleton::{Joint, PerJoint};
use crate::track::ImageJoint;

/// Bones of the left side and the midline; those of the right are their mirror.
const BONES: [(Joint, Joint); 17] = [
    (Joint::HeadTop, Joint::Nose),
    (Joint::Nose, Joint::Neck),
    (Joint::Nose, Joint::LeftEye),
    (Joint::LeftEye, Joint::LeftEar),
    (Joint::Neck, Joint::LeftShoulder),
    (Joint::LeftShoulder, Joint::LeftElbow),
    (Joint::LeftElbow, Joint::LeftWrist),
    (Joint::LeftWrist, Joint::LeftKnuckle),
    (Joint::LeftShoulder, Joint::LeftHip),
    (Joint::LeftShoulder, Joint::RightShoulder),
    (Joint::LeftHip, Joint::RightHip),
    (Joint::LeftHip, Joint::LeftKnee),
    (Joint::LeftKnee, Joint::LeftAnkle),
    (Joint::LeftAnkle, Joint::LeftHeel),
    (Joint::LeftHeel, Joint::LeftBigToe),
    (Joint::LeftAnkle, Joint::LeftSmallToe),
    (Joint::LeftBigToe, Joint::LeftSmallToe),
];

const LEFT: Rgb<u8> = Rgb([70, 200, 255]);
const RIGHT: Rgb<u8> = Rgb([255, 150, 40]);
const MIDDLE: Rgb<u8> = Rgb([240, 240, 240]);

/// The picture with people's joints and bones: the athlete's left side blue, the right orange. A ring of one standard
/// deviation stands round each joint; hidden joints are dark.
#[must_use]
pub fn draw_skeleton(picture: &Picture, people: &[&PerJoint<Option<ImageJoint>>]) -> RgbImage {
    let (width, height) = (picture.width() as u32, picture.height() as u32);
    let mut image = RgbImage::from_fn(width, height, |x, y| {
        let rgb = picture.rgb(PixelPoint::new(f64::from(x), f64::from(y)));
        Rgb(rgb.map(|v| v.round() as u8))
    });
    for joints in people {
        for (a, b) in BONES {
            bone(&mut image, joints, a, b);
            let mirror = (a.mirrored(), b.mirrored());
            if mirror != (a, b) && mirror != (b, a) {
                bone(&mut image, joints, mirror.0, mirror.1);
            }
        }
        for (joint, found) in joints.iter() {
            if let Some(found) = found {
                let shade = if found.visible < 0.5 { 0.5 } else { 1.0 };
                let Rgb(colour) = colour(joint, joint);
                let colour = Rgb(colour.map(|v| (f32::from(v) * shade) as u8));
                disc(&mut image, found.at, 1.5, colour);
                ring(&mut image, found.at, found.sd_px, colour);
            }
        }
    }
    image
}

/// A picture as the bytes of a PNG file.
///
/// # Errors
/// The encoder's error, for a picture without pixels.
pub fn png(image: &RgbImage) -> Result<Vec<u8>, image::ImageError> {
    let mut bytes = Cursor::new(Vec::new());
    image.write_to(&mut bytes, ImageFormat::Png)?;
    Ok(bytes.into_inner())
}

fn bone(image: &mut RgbImage, joints: &PerJoint<Option<ImageJoint>>, a: Joint, b: Joint) {
    if let (Some(from), Some(to)) = (joints[a], joints[b]) {
        line(image, from.at, to.at, colour(a, b));
    }
}

fn colour(a: Joint, b: Joint) -> Rgb<u8> {
    let on = |side: &str| [a, b].iter().any(|j| j.name().starts_with(side));
    match (on("left_"), on("right_")) {
        (true, false) => LEFT,
        (false, true) => RIGHT,
        _ => MIDDLE,
    }
}

fn line(image: &mut RgbImage, from: PixelPoint, to: PixelPoint, colour: Rgb<u8>) {
    let steps = (2.0 * from.distance_px(to)).clamp(1.0, 20_000.0) as usize;
    for i in 0..=steps {
        let share = i as f64 / steps as f64;
        let x = from.x_px + (to.x_px - from.x_px) * share;
        let y = from.y_px + (to.y_px - from.y_px) * share;
        put(image, x, y, colour);
    }
}

fn disc(image: &mut RgbImage, at: PixelPoint, radius_px: f64, colour: Rgb<u8>) {
    let reach = radius_px.ceil() as i32;
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (dx, dy) = (f64::from(dx), f64::from(dy));
            if dx.hypot(dy) <= radius_px {
                put(image, at.x_px + dx, at.y_px + dy, colour);
            }
        }
    }
}

fn ring(image: &mut RgbImage, at: PixelPoint, radius_px: f64, colour: Rgb<u8>) {
    let radius_px = radius_px.clamp(2.0, 200.0);
    let steps = (8.0 * radius_px) as usize;
    for i in 0..steps {
        let (sin, cos) = (i as f64 / steps as f64 * std::f64::consts::TAU).sin_cos();
        put(
            image,
            at.x_px + radius_px * cos,
            at.y_px + radius_px * sin,
            colour,
        );
    }
}

fn put(image: &mut RgbImage, x: f64, y: f64, colour: Rgb<u8>) {
    let (x, y) = (x.round(), y.round());
    if x >= 0.0 && y >= 0.0 && x < f64::from(image.width()) && y < f64::from(image.height()) {
        image.put_pixel(x as u32, y as u32, colour);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{ColourMatrix, Grey};

    #[test]
    fn sides_have_their_colours_and_lines_may_leave_the_picture() {
        let picture = Picture {
            luma: Grey::filled(60, 40, 0),
            cb: Grey::filled(30, 20, 128),
            cr: Grey::filled(30, 20, 128),
            full_range: true,
            matrix: ColourMatrix::Bt709,
        };
        let at = |x: f64, y: f64| {
            Some(ImageJoint {
                at: PixelPoint::new(x, y),
                sd_px: 3.0,
                visible: 1.0,
            })
        };
        let joints = PerJoint::from_fn(|joint| match joint {
            Joint::LeftKnee => at(10.0, 10.0),
            Joint::LeftAnkle => at(10.0, 30.0),
            Joint::RightKnee => at(40.0, 10.0),
            Joint::RightAnkle => at(400.0, 10.0),
            _ => None,
        });
        let image = draw_skeleton(&picture, &[&joints]);
        assert_eq!(*image.get_pixel(10, 20), LEFT);
        assert_eq!(*image.get_pixel(55, 10), RIGHT);
        assert_eq!(*image.get_pixel(25, 35), Rgb([0, 0, 0]));
        let bytes = png(&image).unwrap();
        assert_eq!(image::load_from_memory(&bytes).unwrap().to_rgb8(), image);
    }
}
