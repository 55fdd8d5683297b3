//! Deliveries to test: every style, varied, by many bodies.

use nalgebra::Vector3;
use twinmound::scene::motion::{Delivery, Style};
use twinmound::scene::rig::{Bone, Rig};
use twinmound::skeleton::Joint;

use Joint as J;

pub(crate) const STYLES: [&str; 11] = [
    "clean",
    "early-rotation",
    "late-rotation",
    "little-travel",
    "heel-pop",
    "glove-pull",
    "side-tilt",
    "upright-trunk",
    "straight-elbow",
    "soft-front-knee",
    "no-separation",
];

#[expect(clippy::unwrap_used, reason = "a test of an unknown style must stop")]
pub(crate) fn named(name: &str) -> Style {
    Style::named(name).unwrap()
}

pub(crate) fn adult() -> Rig {
    Rig::proportioned(1.80)
}

/// Every style, plain and varied, a child's and a tall body, long and short legs, wide hips.
pub(crate) fn many() -> Vec<(String, Delivery)> {
    let mut all: Vec<(String, Delivery)> = Style::names()
        .map(|name| (name.to_owned(), Delivery::new(&named(name), &adult())))
        .collect();
    for (i, name) in STYLES.iter().cycle().take(33).enumerate() {
        let style = named(name)
            .with_seed(i as u64)
            .with_strength(1.0 - 0.02 * i as f64);
        all.push((format!("{name}, seed {i}"), Delivery::new(&style, &adult())));
    }
    let bodies = [
        ("child", Rig::proportioned(1.35)),
        ("tall", Rig::proportioned(2.02)),
        ("long legs", with_legs(&adult(), 1.07, 1.0)),
        ("short legs", with_legs(&adult(), 0.92, 1.0)),
        ("wide hips", with_legs(&adult(), 1.0, 1.25)),
    ];
    for (name, rig) in bodies {
        all.push((
            name.to_owned(),
            Delivery::new(&Style::default().with_seed(7), &rig),
        ));
    }
    all
}

/// The same body with its legs stretched from the hips down and the hips set apart.
fn with_legs(rig: &Rig, length: f64, width: f64) -> Rig {
    let mut rig = rig.clone();
    let below = [
        J::LeftKnee,
        J::LeftAnkle,
        J::LeftHeel,
        J::LeftBigToe,
        J::LeftSmallToe,
    ];
    for side in [1.0, -1.0] {
        let named = |j: Joint| if side > 0.0 { j } else { j.mirrored() };
        let hip = rig.joints_m[named(J::LeftHip)];
        let apart = Vector3::new(hip.x * (width - 1.0), 0.0, 0.0);
        let ankle = rig.joints_m[named(J::LeftAnkle)];
        let lower = (ankle - hip) * (length - 1.0);
        for joint in below.map(named) {
            let p = rig.joints_m[joint];
            rig.joints_m[joint] = if joint == named(J::LeftKnee) {
                hip + (p - hip) * length
            } else {
                p + lower
            } + apart;
        }
        rig.joints_m[named(J::LeftHip)] += apart;
        let bone = |b: Bone| if side > 0.0 { b } else { b.mirrored() };
        for (b, j) in [
            (Bone::LeftThigh, J::LeftHip),
            (Bone::LeftShank, J::LeftKnee),
            (Bone::LeftFoot, J::LeftAnkle),
        ] {
            rig.heads_m[bone(b) as usize] = rig.joints_m[named(j)];
        }
        rig.heads_m[bone(Bone::LeftToes) as usize] += lower + apart;
    }
    // Feet back on the ground.
    let sunk = Vector3::y() * (adult().joints_m[J::LeftAnkle].y - rig.joints_m[J::LeftAnkle].y);
    rig.heads_m.iter_mut().for_each(|p| *p += sunk);
    rig.joints_m.0.iter_mut().for_each(|p| *p += sunk);
    rig.height_m += sunk.y;
    rig
}
