//! Hips and feet: their paths through space, with the drive foot on the rubber and the lead foot fixed once it has landed.

use nalgebra::{UnitQuaternion, Vector3};

use super::curves::{Curve, EVEN, LATE, Path};
use super::leg_chain::LegBones;
use super::orient::{Frame, turn_between};
use super::phases::Phases;
use super::style::{Nature, Style};
use super::trunk::TrunkCurves;
use crate::scene::rig::Rig;
use crate::skeleton::Joint;

/// The lead foot comes to full rest this long after the contact key; the event (30 % of its speed) is earlier.
const SETTLE_S: f64 = 0.024;

/// One foot over time.
#[derive(Clone, Debug)]
pub(super) struct FootCurves {
    /// Ball of the foot (head of the toe bone), world.
    ball_m: Path,
    /// Heel to big toe, horizontal angle from +x, positive to the throwing side.
    heading_deg: Curve,
    /// Positive: heel up.
    pitch_deg: Curve,
    /// 1: the toes stay flat on the ground when the heel rises; 0: they follow the foot.
    toes_flat: Curve,
    /// Where the knee points: horizontal angle from +x, as the heading.
    knee_heading_deg: Curve,
    /// Where the knee points: above horizontal.
    knee_rise_deg: Curve,
}

/// A foot at an instant.
#[derive(Clone, Copy, Debug)]
pub(super) struct Foot {
    /// Ankle joint, world, metres.
    pub(super) ankle_m: Vector3<f64>,
    /// World turn of the foot.
    pub(super) foot: UnitQuaternion<f64>,
    /// World turn of the toes.
    pub(super) toes: UnitQuaternion<f64>,
    /// Direction that the knee points to.
    pub(super) knee_toward: Vector3<f64>,
}

/// Hips and both feet of a right-hander.
#[derive(Clone, Debug)]
pub(super) struct LegCurves {
    /// Middle of the hip joints, world.
    pub(super) hips_m: Path,
    /// The right foot.
    pub(super) drive: FootCurves,
    /// The left foot.
    pub(super) lead: FootCurves,
}

/// Direction of a horizontal angle (degrees from +x, positive to the throwing side) and a rise above horizontal.
fn direction(heading_deg: f64, rise_deg: f64) -> Vector3<f64> {
    let (h, r) = (heading_deg.to_radians(), rise_deg.to_radians());
    Vector3::new(r.cos() * h.cos(), r.sin(), r.cos() * h.sin())
}

impl FootCurves {
    /// The foot at an instant; `bones` says which leg of the rig it is.
    pub(super) fn at(&self, rig: &Rig, bones: LegBones, t_s: f64) -> Foot {
        let head = |bone| rig.heads_m[bone as usize];
        let (foot, toes) = foot_turns(
            rig,
            bones,
            self.heading_deg.at(t_s),
            self.pitch_deg.at(t_s),
            self.toes_flat.at(t_s),
        );
        Foot {
            ankle_m: self.ball_m.at(t_s) - foot * (head(bones.toes) - head(bones.foot)),
            foot,
            toes,
            knee_toward: direction(self.knee_heading_deg.at(t_s), self.knee_rise_deg.at(t_s)),
        }
    }
}

/// World turns of foot and toes.
fn foot_turns(
    rig: &Rig,
    bones: LegBones,
    heading_deg: f64,
    pitch_deg: f64,
    toes_flat: f64,
) -> (UnitQuaternion<f64>, UnitQuaternion<f64>) {
    let (heel, toe) = if bones.thigh == LegBones::LEFT.thigh {
        (Joint::LeftHeel, Joint::LeftBigToe)
    } else {
        (Joint::RightHeel, Joint::RightBigToe)
    };
    // At rest the line from heel to big toe is not quite straight ahead.
    let line = rig.joints_m[toe] - rig.joints_m[heel];
    let off_ahead = (-line.x).atan2(line.z);
    let ahead = direction(heading_deg - off_ahead.to_degrees(), 0.0);
    let right = ahead.cross(&Vector3::y());
    let flat = turn_between(&Frame::BODY, &Frame::from_up_across(&Vector3::y(), &right));
    let pitched = |deg: f64| UnitQuaternion::from_scaled_axis(right * -deg.to_radians()) * flat;
    (pitched(pitch_deg), pitched(pitch_deg * (1.0 - toes_flat)))
}

/// Where the ball of a foot is when its ankle is at `ankle_m`.
fn ball_of(rig: &Rig, bones: LegBones, ankle_m: Vector3<f64>, heading_deg: f64, pitch_deg: f64) -> Vector3<f64> {
    let (foot, _) = foot_turns(rig, bones, heading_deg, pitch_deg, 0.0);
    ankle_m + foot * (rig.heads_m[bones.toes as usize] - rig.heads_m[bones.foot as usize])
}

/// The drive foot: on the rubber, heel rising, dragged and swung through.
fn drive_foot(rig: &Rig, style: &Style, phases: &Phases, nature: &mut Nature) -> FootCurves {
    let (p, h) = (phases, rig.height_m);
    let bones = LegBones::RIGHT;
    let rest_m = rig.heads_m[bones.foot as usize].y;
    let rubber_heading = 86.0;
    let planted = ball_of(rig, bones, Vector3::new(0.032 * h, rest_m, 0.02 * h), rubber_heading, 0.0);
    let by = |x: f64, y: f64, z: f64| planted + Vector3::new(x, y, z) * h;
    let pop = style.heel_pop;
    FootCurves {
        ball_m: Path::through(
            &[
                (p.drive(-0.045), planted),
                (p.drive(0.115), by(0.135, 0.008, -0.01)),
                (p.drive(0.175), by(0.24, 0.05, -0.01)),
                (p.drive(0.30), by(0.33, 0.26, 0.02)),
                (p.drive(0.52), by(0.66, 0.22, 0.10)),
                (p.drive(0.82), by(0.95, 0.0, 0.15)),
            ],
            0.35,
            [EVEN, EVEN, EVEN],
        ),
        heading_deg: Curve::from(rubber_heading)
            .to(p.stride(0.5), p.drive(0.02), 70.0 + nature.offset(4.0))
            .to(p.drive(-0.03), p.drive(0.17), 14.0)
            .to(p.drive(0.4), p.drive(0.8), 4.0),
        pitch_deg: Curve::from(0.0)
            .to(p.stride(0.25), p.stride(0.75), 22.0 * pop)
            .to(p.drive(-0.24 - 0.03 * nature.offset(1.0)), p.drive(0.06), 62.0)
            .to(p.drive(0.0), p.drive(0.20), 88.0)
            .to(p.drive(0.42), p.drive(0.80), 0.0),
        toes_flat: Curve::from(1.0).to(p.drive(-0.03), p.drive(0.17), 0.15),
        knee_heading_deg: Curve::from(88.0)
            .to(p.stride(0.3), p.drive(0.0), 86.0 + nature.offset(4.0))
            .to(p.drive(-0.03), p.drive(0.20), 20.0)
            .to(p.drive(0.4), p.drive(0.8), 8.0),
        knee_rise_deg: Curve::from(0.0)
            .to(p.stride(0.4), p.drive(0.05), -28.0)
            .to(p.drive(0.0), p.drive(0.30), -62.0)
            .to(p.drive(0.3), p.drive(0.75), 0.0),
    }
}

/// The lead foot as it stands after contact.
struct Landing {
    ball_m: Vector3<f64>,
    ankle_m: Vector3<f64>,
    heading_deg: f64,
}

fn landing(rig: &Rig, style: &Style, nature: &mut Nature) -> Landing {
    let (bones, h) = (LegBones::LEFT, rig.height_m);
    let stride = style.stride_pct_height / 100.0 * nature.factor(0.025);
    let heading_deg = 12.0 + nature.offset(5.0);
    let ankle_m = Vector3::new(
        (0.032 + stride) * h,
        rig.heads_m[bones.foot as usize].y,
        (0.045 + nature.offset(0.02)) * h,
    );
    Landing {
        ball_m: ball_of(rig, bones, ankle_m, heading_deg, 0.0),
        ankle_m,
        heading_deg,
    }
}

/// The lead foot: lifted, carried out, landed and fixed.
fn lead_foot(rig: &Rig, phases: &Phases, land: &Landing, hip_at_lift_m: Vector3<f64>, nature: &mut Nature) -> FootCurves {
    let (p, h) = (phases, rig.height_m);
    let bones = LegBones::LEFT;
    let rest_m = rig.heads_m[bones.foot as usize].y;
    let (set_heading, lift_heading, lift_pitch) = (84.0, 118.0, 24.0);
    let stand = Vector3::new(0.20 * h, rest_m, 0.015 * h);
    // Knee lift: the thigh a little above horizontal, the shank hanging.
    let knee_heading = 126.0 + nature.offset(5.0);
    let thigh_rise = 12.0 + nature.offset(5.0);
    let (thigh_m, shank_m) = (0.2385 * h, 0.2475 * h);
    let lifted = hip_at_lift_m
        + direction(knee_heading, thigh_rise) * thigh_m
        + direction(knee_heading, thigh_rise - 108.0) * shank_m;
    let settled = p.contact_s + SETTLE_S;
    let kick = Vector3::new(0.33 * h, 0.155 * h, 0.10 * h);
    let reach = land.ankle_m + Vector3::new(-0.235, 0.055, 0.035) * h;
    let ball = |ankle, heading, pitch| ball_of(rig, bones, ankle, heading, pitch);
    FootCurves {
        ball_m: Path::through(
            &[
                (p.windup(0.28), ball(stand, set_heading, 0.0)),
                (p.knee_lift_s, ball(lifted, lift_heading, lift_pitch)),
                (p.stride(0.52), ball(kick, 75.0, 15.0)),
                (p.stride(0.79), ball(reach, 40.0, 9.0)),
                (settled, land.ball_m),
            ],
            0.42,
            [LATE, LATE, LATE],
        ),
        heading_deg: Curve::from(set_heading)
            .to(p.windup(0.3), p.knee_lift_s, lift_heading)
            .to(p.stride(0.1), settled, land.heading_deg),
        pitch_deg: Curve::from(0.0)
            .to(p.windup(0.25), p.windup(0.8), lift_pitch)
            .to(p.stride(0.2), p.stride(0.9), 7.0)
            .to_with(p.stride(0.7), settled, 0.0, LATE),
        toes_flat: Curve::from(0.0),
        knee_heading_deg: Curve::from(86.0)
            .to(p.windup(0.25), p.knee_lift_s, knee_heading)
            .to(p.stride(0.05), settled, 10.0),
        knee_rise_deg: Curve::from(0.0)
            .to(p.windup(0.25), p.knee_lift_s, 45.0)
            .to(p.stride(0.2), settled, 20.0),
    }
}

impl LegCurves {
    pub(super) fn new(
        rig: &Rig,
        style: &Style,
        phases: &Phases,
        trunk: &TrunkCurves,
        nature: &mut Nature,
    ) -> Self {
        let (p, h) = (phases, rig.height_m);
        let drive = drive_foot(rig, style, p, nature);
        let land = landing(rig, style, nature);
        // Heights of the hips come from the knee flexion wanted at the keys, of the leg that carries the body then.
        let height = |bones: LegBones, ankle: Vector3<f64>, t_s: f64, x: f64, z: f64, flexion_deg: f64| {
            let hip = trunk.hip_from_middle(rig, bones.thigh, t_s);
            let reach = bones.reach_m(rig, flexion_deg.to_radians());
            let level = Vector3::new(ankle.x - x * h - hip.x, 0.0, ankle.z - z * h - hip.z);
            let rise = (reach * reach - level.norm_squared()).max(0.0).sqrt();
            (t_s, Vector3::new(x * h, ankle.y - hip.y + rise, z * h))
        };
        let on_drive = |t_s: f64, x: f64, z: f64, flexion_deg: f64| {
            let ankle = drive.at(rig, LegBones::RIGHT, t_s).ankle_m;
            height(LegBones::RIGHT, ankle, t_s, x, z, flexion_deg)
        };
        let stride = (land.ankle_m.x / h - 0.032) / 0.80;
        let on_lead = |seconds: f64, x: f64, z: f64, flexion_deg: f64| {
            height(LegBones::LEFT, land.ankle_m, p.drive(seconds), x * stride, z, flexion_deg)
        };
        let soft = style.soft_front_knee;
        let bent = 46.0 + nature.offset(3.0);
        let straightened = 9.0 + nature.offset(3.0);
        let late = 0.05 * style.little_travel;
        let lift = on_drive(p.knee_lift_s, 0.018, -0.004, 17.0);
        let hips_m = Path::through(
            &[
                on_drive(p.windup(0.05), 0.112, 0.0, 15.0),
                lift,
                on_drive(p.stride(0.55), 0.125 - late, -0.02, 46.0),
                on_lead(0.0, 0.478, -0.015, bent),
                on_lead(0.09, 0.565, -0.02, bent + 1.0 + 6.0 * soft),
                on_lead(0.16, 0.612, -0.02, bent - straightened + 20.0 * soft),
                on_lead(0.32, 0.68, -0.01, bent - 16.0 + 30.0 * soft),
                on_lead(0.75, 0.77, 0.04, bent - 16.0 + 22.0 * soft),
            ],
            0.42,
            [EVEN, EVEN, EVEN],
        );
        let hip_at_lift_m = lift.1 + trunk.hip_from_middle(rig, LegBones::LEFT.thigh, p.knee_lift_s);
        let lead = lead_foot(rig, p, &land, hip_at_lift_m, nature);
        Self { hips_m, drive, lead }
    }
}
