//! Boxes round people: overlap, and the crop that suits a box.

use crate::geometry::PixelPoint;
use crate::picture::Region;

/// Intersection over union, 0 to 1.
pub(super) fn overlap(a: &Region, b: &Region) -> f64 {
    let shared = |start_a: f64, length_a: f64, start_b: f64, length_b: f64| {
        ((start_a + length_a).min(start_b + length_b) - start_a.max(start_b)).max(0.0)
    };
    let both = shared(a.left_px, a.width_px, b.left_px, b.width_px)
        * shared(a.top_px, a.height_px, b.top_px, b.height_px);
    let either = a.width_px * a.height_px + b.width_px * b.height_px - both;
    if either > 0.0 { both / either } else { 0.0 }
}

/// Middle of a region.
pub(super) fn middle(region: &Region) -> (f64, f64) {
    (
        region.left_px + region.width_px / 2.0,
        region.top_px + region.height_px / 2.0,
    )
}

/// A region of the given middle, height and width over height.
pub(super) fn around(middle: (f64, f64), height_px: f64, aspect: f64) -> Region {
    let width_px = height_px * aspect;
    Region {
        left_px: middle.0 - width_px / 2.0,
        top_px: middle.1 - height_px / 2.0,
        width_px,
        height_px,
    }
}

/// Height of the crop of the given aspect in which a box fills `share` of the tighter direction.
pub(super) fn crop_height(person: &Region, aspect: f64, share: f64) -> f64 {
    person.height_px.max(person.width_px / aspect) / share
}

/// Whether a point is inside.
pub(super) fn contains(region: &Region, p: PixelPoint) -> bool {
    let (x, y) = (p.x_px + 0.5 - region.left_px, p.y_px + 0.5 - region.top_px);
    (0.0..=region.width_px).contains(&x) && (0.0..=region.height_px).contains(&y)
}

/// The smallest region that holds all points; none without points.
pub(super) fn around_points(points: impl Iterator<Item = PixelPoint>) -> Option<Region> {
    let mut edges: Option<(f64, f64, f64, f64)> = None;
    for p in points {
        let (l, t, r, b) = edges.unwrap_or((p.x_px, p.y_px, p.x_px, p.y_px));
        edges = Some((l.min(p.x_px), t.min(p.y_px), r.max(p.x_px), b.max(p.y_px)));
    }
    let (l, t, r, b) = edges?;
    Some(Region {
        left_px: l + 0.5,
        top_px: t + 0.5,
        width_px: r - l,
        height_px: b - t,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlap_is_shared_area_over_joint_area() {
        let a = Region {
            left_px: 0.0,
            top_px: 0.0,
            width_px: 4.0,
            height_px: 2.0,
        };
        let b = Region {
            left_px: 2.0,
            top_px: 1.0,
            width_px: 4.0,
            height_px: 2.0,
        };
        assert!((overlap(&a, &b) - 2.0 / 14.0).abs() < 1e-12);
        assert!((overlap(&a, &a) - 1.0).abs() < 1e-12);
        let far = Region { left_px: 9.0, ..a };
        assert!(overlap(&a, &far).abs() < 1e-12);
    }

    #[test]
    fn a_box_fills_its_share_of_the_crop_in_the_tighter_direction() {
        let tall = Region {
            left_px: 0.0,
            top_px: 0.0,
            width_px: 10.0,
            height_px: 80.0,
        };
        assert!((crop_height(&tall, 0.75, 0.8) - 100.0).abs() < 1e-12);
        let wide = Region {
            width_px: 75.0,
            height_px: 20.0,
            ..tall
        };
        assert!((crop_height(&wide, 0.75, 0.8) - 125.0).abs() < 1e-12);
    }
}
