//! Where phones and board go: both phones see the whole delivery, from directions far enough apart, and the board's print.
//!
//! World coordinates ([`crate::geometry`]). The phones stand on the side to which the thrower's chest turns at the balance
//! point, at one height and distance, symmetric about the middle of the stride. The distance is the least at which a usual
//! phone lens holds the whole delivery with an edge to spare.

use nalgebra::Vector3;

use crate::geometry::{Camera, CameraFromWorld, Phone, WorldPoint};
use crate::skeleton::Side;

/// Angle between the lines of sight: middle of the 60 to 110 degrees that are good.
const ANGLE_DEG: f64 = 80.0;
/// Least and largest good angle, degrees.
pub const GOOD_ANGLE_DEG: (f64, f64) = (60.0, 110.0);
/// Height of the lenses: chest height, common practice, no source.
const HEIGHT_M: f64 = 1.3;
/// What the lenses look at: the middle of the stride, at the height of the hips.
const AIM_M: [f64; 3] = [0.6, 1.0, 0.0];
/// The space of a tall pitcher's delivery: from the swing behind the rubber to the hand at release beyond a stride of 1.7 m,
/// from the ground to the raised hand (common practice, no source).
const DELIVERY_FROM_M: [f64; 3] = [-0.9, 0.0, -0.9];
const DELIVERY_TO_M: [f64; 3] = [2.3, 2.4, 0.9];
/// Focal length as a share of the picture's width: a phone's main camera, cropped a little in fast video modes (66 degrees
/// across; common practice, no source).
const FOCAL_OF_WIDTH: f64 = 0.78;
/// Edge of the picture that stays free, as a share of its width.
const FREE_EDGE: f64 = 0.04;
/// Distances tried, metres.
const NEAREST_M: f64 = 4.0;
const FARTHEST_M: f64 = 15.0;
const STEP_M: f64 = 0.1;

/// One phone's place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhonePlace {
    /// Which phone it is, as seen from where the phones stand.
    pub phone: Phone,
    /// Its lens, metres: toward the target, up, to the right of one who faces the target.
    pub eye: WorldPoint,
    /// Slant at which it sees the standing board's print, degrees from face on; over 90 it sees the back.
    pub board_slant_deg: f64,
}

/// Where everything goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placement {
    /// Who throws.
    pub throws: Side,
    /// LEFT, RIGHT.
    pub phones: [PhonePlace; 2],
    /// What both look at.
    pub aim: WorldPoint,
    /// Height of the lenses above the ground, metres.
    pub height_m: f64,
    /// Distance from the lenses to what they look at, metres.
    pub distance_m: f64,
    /// Angle between the lines of sight, degrees.
    pub angle_deg: f64,
    /// Width of the picture across, degrees.
    pub view_deg: f64,
    /// Corners of the space of a delivery, metres.
    pub delivery_m: [[f64; 3]; 2],
}

impl Placement {
    /// The placement for a thrower; `None` never happens with the constants of this file.
    #[must_use]
    pub fn of(throws: Side) -> Option<Self> {
        let mut distance_m = NEAREST_M;
        while distance_m <= FARTHEST_M {
            let placement = Self::at_distance(throws, distance_m);
            if placement.sees_all() {
                return Some(placement);
            }
            distance_m += STEP_M;
        }
        None
    }

    fn at_distance(throws: Side, distance_m: f64) -> Self {
        let aim = Vector3::from(AIM_M);
        // A right-hander's chest faces +z at the balance point.
        let side = if throws == Side::Right { 1.0 } else { -1.0 };
        let ground_m = (distance_m.powi(2) - (HEIGHT_M - aim.y).powi(2)).sqrt();
        // The angle is that of the two lines of sight, which fall a little: chord to chord.
        let half = ((ANGLE_DEG / 2.0).to_radians().sin() * distance_m / ground_m).asin();
        let place = |phone: Phone, along: f64| {
            let eye = Vector3::new(
                aim.x + along * ground_m * half.sin(),
                HEIGHT_M,
                side * ground_m * half.cos(),
            );
            // The print faces the target, +x, above the rubber.
            let toward = (eye - Vector3::new(0.0, 0.3, 0.0)).normalize();
            PhonePlace {
                phone,
                eye: WorldPoint(eye),
                board_slant_deg: toward.x.acos().to_degrees(),
            }
        };
        Self {
            throws,
            // One who looks from +z sees the target on his right.
            phones: [place(Phone::Left, -side), place(Phone::Right, side)],
            aim: WorldPoint(aim),
            height_m: HEIGHT_M,
            distance_m,
            angle_deg: ANGLE_DEG,
            view_deg: 2.0 * (0.5 / FOCAL_OF_WIDTH).atan().to_degrees(),
            delivery_m: [DELIVERY_FROM_M, DELIVERY_TO_M],
        }
    }

    /// Whether both phones hold the whole delivery.
    fn sees_all(&self) -> bool {
        let (width, height) = (1280.0, 720.0);
        let focal_px = FOCAL_OF_WIDTH * width;
        let camera = Camera {
            width_px: 1280,
            height_px: 720,
            fx_px: focal_px,
            fy_px: focal_px,
            cx_px: (width - 1.0) / 2.0,
            cy_px: (height - 1.0) / 2.0,
            distortion: [0.0; 5],
        };
        let free = FREE_EDGE * width;
        self.phones.iter().all(|place| {
            let Some(pose) = CameraFromWorld::looking_at(place.eye, self.aim) else {
                return false;
            };
            (0..8).all(|k| {
                let corner = Vector3::from_fn(|axis, _| self.delivery_m[(k >> axis) & 1][axis]);
                camera.project(pose.apply(WorldPoint(corner))).is_some_and(|at| {
                    (free..width - free).contains(&at.x_px) && (free..height - free).contains(&at.y_px)
                })
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_phones_stand_on_the_open_side_and_see_the_delivery_at_a_good_angle() {
        for (throws, side) in [(Side::Right, 1.0), (Side::Left, -1.0)] {
            let placement = Placement::of(throws).unwrap();
            let [left, right] = placement.phones;
            let sight = |p: &PhonePlace| p.eye.0 - placement.aim.0;
            let angle_deg = sight(&left).angle(&sight(&right)).to_degrees();
            assert!((angle_deg - placement.angle_deg).abs() < 1e-9, "{angle_deg}");
            assert!((GOOD_ANGLE_DEG.0..GOOD_ANGLE_DEG.1).contains(&angle_deg));
            for phone in [&left, &right] {
                assert!((sight(phone).norm() - placement.distance_m).abs() < 1e-9);
                assert!(phone.eye.0.z * side > 3.0, "{phone:?}");
            }
            assert!((4.5..8.0).contains(&placement.distance_m), "{placement:?}");
            // From where they stand, looking at the mound: RIGHT lies to the right of LEFT.
            let pose = CameraFromWorld::looking_at(left.eye, placement.aim).unwrap();
            assert!(pose.apply(right.eye).0.x > 0.0);
            // The phone toward the plate sees the print within what the finder takes, the other sees the back.
            let slants = [left.board_slant_deg, right.board_slant_deg];
            let print = if throws == Side::Right {
                slants[1]
            } else {
                slants[0]
            };
            assert!(print < 65.0, "{slants:?}");
            assert!(!Placement::at_distance(throws, placement.distance_m - 0.2).sees_all());
        }
    }
}
