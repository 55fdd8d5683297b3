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

/// The drive ankle is this far ahead of the rubber's front, share of body height.
const RUBBER_ANKLE: f64 = 0.032;
/// The lead foot comes to full rest this long after the contact key; the event (30 % of its speed) is earlier.
const SETTLE_S: f64 = 0.017;

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
fn ball_of(
    rig: &Rig,
    bones: LegBones,
    ankle_m: Vector3<f64>,
    heading_deg: f64,
    pitch_deg: f64,
) -> Vector3<f64> {
    let (foot, _) = foot_turns(rig, bones, heading_deg, pitch_deg, 0.0);
    ankle_m + foot * (rig.heads_m[bones.toes as usize] - rig.heads_m[bones.foot as usize])
}

/// The drive foot: on the rubber, heel rising, dragged and swung through.
fn drive_foot(rig: &Rig, style: &Style, phases: &Phases, nature: &mut Nature) -> FootCurves {
    let (p, h) = (phases, LegBones::LEFT.scale_m(rig));
    let bones = LegBones::RIGHT;
    let rest_m = rig.heads_m[bones.foot as usize].y;
    let rubber_heading = 86.0;
    let planted = ball_of(
        rig,
        bones,
        Vector3::new(RUBBER_ANKLE * h, rest_m, 0.02 * h),
        rubber_heading,
        0.0,
    );
    let pop = style.heel_pop;
    FootCurves {
        ball_m: Path::fixed(planted),
        heading_deg: Curve::from(rubber_heading)
            .to(p.drive(-0.06), p.drive(0.03), 78.0 + nature.offset(4.0))
            .to(p.drive(-0.03), p.drive(0.17), 14.0)
            .to(p.drive(0.4), p.drive(0.8), 4.0),
        pitch_deg: Curve::from(0.0)
            .to(p.stride(0.25), p.stride(0.75), 22.0 * pop)
            .to(p.drive(-0.24 - 0.03 * nature.offset(1.0)), p.drive(0.06), 62.0)
            .to(p.drive(0.0), p.drive(0.20), 88.0)
            .to(p.drive(0.42), p.drive(0.80), 0.0),
        toes_flat: Curve::from(1.0).to(p.drive(-0.03), p.drive(0.17), 0.15),
        knee_heading_deg: Curve::from(88.0)
            .to(
                p.stride(0.3),
                p.drive(0.0),
                118.0 - 24.0 * style.early_rotation.max(style.little_travel) + nature.offset(4.0),
            )
            .to(p.drive(-0.03), p.drive(0.20), 20.0)
            .to(p.drive(0.4), p.drive(0.8), 8.0),
        knee_rise_deg: Curve::from(0.0).to(p.drive(0.0), p.drive(0.26), -62.0).to(
            p.drive(0.3),
            p.drive(0.75),
            0.0,
        ),
    }
}

/// The drive foot's way from the rubber: the toes drag while the leg is nearly straight, then swing through.
fn dragged(rig: &Rig, phases: &Phases, foot: &FootCurves, trunk: &TrunkCurves, hips_m: &Path) -> Path {
    let (p, h) = (phases, LegBones::LEFT.scale_m(rig));
    let bones = LegBones::RIGHT;
    let planted = foot.ball_m.at(0.0);
    let by = |x: f64, y: f64, z: f64| planted + Vector3::new(x, y, z) * h;
    // As far back as the knee flexion allows, at this height and side.
    let behind = |seconds: f64, flexion_deg: f64, y: f64, z: f64| {
        let t_s = p.drive(seconds);
        let hip = hips_m.at(t_s) + trunk.hip_from_middle(rig, bones.thigh, t_s);
        let ankle_from_ball = foot.at(rig, bones, t_s).ankle_m - planted;
        let mut ball = by(0.0, y, z);
        let reach = bones.reach_m(rig, flexion_deg.to_radians());
        let off = hip - ball - ankle_from_ball;
        let level = (reach * reach - off.y * off.y - off.z * off.z).max(0.0).sqrt();
        ball.x = hip.x - level - ankle_from_ball.x;
        (t_s, ball)
    };
    Path::through(
        &[
            (p.drive(-0.055), planted),
            behind(0.045, 27.0, 0.012, 0.0),
            behind(0.105, 31.0, 0.02, -0.005),
            behind(0.165, 38.0, 0.05, -0.01),
            (p.drive(0.30), by(0.45, 0.26, 0.02)),
            (p.drive(0.52), by(0.68, 0.22, 0.10)),
            (
                p.drive(0.82),
                Vector3::new(hips_m.at(p.end_s).x + 0.13 * h, planted.y, planted.z + 0.13 * h),
            ),
        ],
        0.40,
        [EVEN; 3],
    )
}

/// The lead foot as it stands after contact.
struct Landing {
    ball_m: Vector3<f64>,
    ankle_m: Vector3<f64>,
    heading_deg: f64,
}

fn landing(rig: &Rig, style: &Style, nature: &mut Nature) -> Landing {
    let (bones, h) = (LegBones::LEFT, LegBones::LEFT.scale_m(rig));
    let stride = (style.stride_pct_height / 100.0 - 0.05 * style.little_travel) * nature.factor(0.025);
    let heading_deg = 12.0 + nature.offset(5.0);
    let ankle_m = Vector3::new(
        (RUBBER_ANKLE + stride) * h,
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
fn lead_foot(
    rig: &Rig,
    phases: &Phases,
    land: &Landing,
    hip_m: impl Fn(f64) -> Vector3<f64>,
    nature: &mut Nature,
) -> FootCurves {
    let (p, h) = (phases, LegBones::LEFT.scale_m(rig));
    let bones = LegBones::LEFT;
    let rest_m = rig.heads_m[bones.foot as usize].y;
    let (set_heading, lift_heading, lift_pitch) = (84.0, 118.0, 24.0);
    let stand = Vector3::new(0.20 * h, rest_m, 0.015 * h);
    // Knee lift: the thigh a little above horizontal, the shank hanging.
    let knee_heading = 126.0 + nature.offset(5.0);
    let thigh_rise = 12.0 + nature.offset(5.0);
    let (thigh_m, shank_m) = (0.2385 * h, 0.2475 * h);
    let lifted = hip_m(p.knee_lift_s)
        + direction(knee_heading, thigh_rise) * thigh_m
        + direction(knee_heading, thigh_rise - 108.0) * shank_m;
    let settled = p.contact_s + SETTLE_S;
    // Carried out in front of the hip, the knee a little bent.
    let ahead = |share: f64, heading_deg: f64, rise_deg: f64, flexion_deg: f64| {
        let reach = bones.reach_m(rig, f64::to_radians(flexion_deg));
        hip_m(p.stride(share)) + direction(heading_deg, rise_deg) * reach
    };
    let kick = ahead(0.52, 44.0, -52.0, 44.0);
    let carry = ahead(0.70, 14.0, -49.0, 42.0);
    let reach = ahead(0.86, 6.0, -45.0, 46.0);
    let ball = |ankle, heading, pitch| ball_of(rig, bones, ankle, heading, pitch);
    FootCurves {
        ball_m: Path::through(
            &[
                (p.windup(0.28), ball(stand, set_heading, 0.0)),
                (p.knee_lift_s, ball(lifted, lift_heading, lift_pitch)),
                (p.stride(0.52), ball(kick, 75.0, 15.0)),
                (p.stride(0.70), ball(carry, 55.0, 11.0)),
                (p.stride(0.86), ball(reach, 28.0, 8.0)),
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
            .shaped(p.stride(0.7), settled, 0.0, LATE),
        toes_flat: Curve::from(0.0),
        knee_heading_deg: Curve::from(86.0)
            .to(p.windup(0.25), p.knee_lift_s, knee_heading)
            .to(p.stride(0.05), settled, 10.0),
        knee_rise_deg: Curve::from(0.0).to(p.windup(0.25), p.knee_lift_s, 45.0).to(
            p.stride(0.2),
            settled,
            20.0,
        ),
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
        let (p, h) = (phases, LegBones::LEFT.scale_m(rig));
        let mut drive = drive_foot(rig, style, p, nature);
        let land = landing(rig, style, nature);
        let stride = (land.ankle_m.x / h - RUBBER_ANKLE) / 0.80;
        let late = style.little_travel;
        let (soft, bent) = (style.soft_front_knee, 45.0 + nature.offset(3.0));
        let straightened = 10.0 + nature.offset(3.0);
        // One long push from knee lift into the follow-through, of the size that brings the hips to their place at contact.
        let (balanced, at_contact) = (0.018 * h, (0.480 * stride - 0.012 * late) * h);
        let stand = Curve::from(0.112 * h).to(p.windup(0.05), p.stride(0.0), balanced);
        let push = |to: f64| stand.clone().to(p.stride(0.09 + 0.12 * late), p.drive(0.53), to);
        let share = (push(1.0).at(p.contact_s) - balanced) / (1.0 - balanced);
        let forward = push(balanced + (at_contact - balanced) / share);
        let sideways = Curve::from(0.0).to(p.stride(0.0), p.drive(0.0), -0.018 * h).to(
            p.drive(0.15),
            p.drive(0.75),
            0.035 * h,
        );
        // Heights of the hips come from the knee flexion wanted at the keys, of the leg that carries the body then.
        let height = |bones: LegBones, ankle: Vector3<f64>, t_s: f64, flexion_deg: f64| {
            let hip = trunk.hip_from_middle(rig, bones.thigh, t_s);
            let reach = bones.reach_m(rig, flexion_deg.to_radians());
            let (dx, dz) = (
                ankle.x - forward.at(t_s) - hip.x,
                ankle.z - sideways.at(t_s) - hip.z,
            );
            let rise = (reach * reach - dx * dx - dz * dz).max(0.0).sqrt();
            (t_s, ankle.y - hip.y + rise)
        };
        let on_drive = |t_s: f64, flexion_deg: f64| {
            height(
                LegBones::RIGHT,
                drive.at(rig, LegBones::RIGHT, t_s).ankle_m,
                t_s,
                flexion_deg,
            )
        };
        let on_lead = |seconds: f64, flexion_deg: f64| {
            height(LegBones::LEFT, land.ankle_m, p.drive(seconds), flexion_deg)
        };
        let upward = Curve::through(
            &[
                on_drive(p.windup(0.05), 15.0),
                on_drive(p.knee_lift_s, 17.0),
                on_drive(p.stride(0.45), 32.0),
                on_drive(p.stride(0.76), 53.0),
                on_lead(0.0, bent),
                on_lead(0.08, bent + 1.0 + 6.0 * soft),
                on_lead(0.16, bent - straightened + 26.0 * soft),
                on_lead(0.32, bent - 16.0 + 30.0 * soft),
                on_lead(0.75, bent - 8.0 + 14.0 * soft),
            ],
            0.42,
            EVEN,
        );
        let hips_m = Path {
            axes: [forward, upward, sideways],
        };
        drive.ball_m = dragged(rig, p, &drive, trunk, &hips_m);
        let lead_hip = |t_s: f64| hips_m.at(t_s) + trunk.hip_from_middle(rig, LegBones::LEFT.thigh, t_s);
        let lead = lead_foot(rig, p, &land, lead_hip, nature);
        Self { hips_m, drive, lead }
    }
}
