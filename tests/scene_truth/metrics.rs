//! The contract's definitions once more, written only for these tests: a second route beside the kinematics stage.
//! Right-handers; a left-hander is mirrored first. Everything from joint positions sampled every half millisecond.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Rotation3, Vector3};
use twinmound::scene::motion::Delivery;
use twinmound::skeleton::{Joint, PerJoint, Side};

type V = Vector3<f64>;
const STEP_S: f64 = 0.0005;

/// Events, seconds from the start of the recording.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Events {
    pub(crate) knee_lift: f64,
    pub(crate) contact: f64,
    pub(crate) layback: f64,
    pub(crate) release: f64,
}

/// A delivery sampled densely.
pub(crate) struct Sampled {
    t: Vec<f64>,
    p: Vec<PerJoint<V>>,
    height_m: f64,
}

pub(crate) fn joints_as_right_hander(delivery: &Delivery, t: f64) -> PerJoint<V> {
    let joints = delivery.joints_at(t);
    match delivery.throws() {
        Side::Right => joints,
        Side::Left => PerJoint::from_fn(|j| {
            let p = joints[j.mirrored()];
            V::new(p.x, p.y, -p.z)
        }),
    }
}

impl Sampled {
    pub(crate) fn of(delivery: &Delivery) -> Self {
        let n = (delivery.phases().end_s / STEP_S) as usize;
        let t: Vec<f64> = (0..=n).map(|i| i as f64 * STEP_S).collect();
        let p = t.iter().map(|t| joints_as_right_hander(delivery, *t)).collect();
        Self {
            t,
            p,
            height_m: delivery.rig().height_m,
        }
    }

    fn index(&self, t: f64) -> usize {
        ((t / STEP_S).round() as usize).clamp(1, self.t.len() - 2)
    }

    fn speed(&self, j: Joint, i: usize) -> V {
        (self.p[i + 1][j] - self.p[i - 1][j]) / (2.0 * STEP_S)
    }

    /// Index and value of the largest `f` over a time range.
    fn peak(&self, from: f64, to: f64, f: impl Fn(usize) -> f64) -> (usize, f64) {
        (self.index(from)..=self.index(to))
            .map(|i| (i, f(i)))
            .fold(
                (0, f64::NEG_INFINITY),
                |best, now| if now.1 > best.1 { now } else { best },
            )
    }

    pub(crate) fn events(&self, release: f64) -> Events {
        let foot = |i: usize| {
            [Joint::LeftHeel, Joint::LeftBigToe, Joint::LeftSmallToe]
                .iter()
                .map(|j| self.speed(*j, i).norm())
                .sum::<f64>()
                / 3.0
        };
        let (fastest, vmax) = self.peak(release - 0.5, release, foot);
        let mut contact = self.index(release);
        while contact > fastest && foot(contact - 1) < 0.3 * vmax {
            contact -= 1;
        }
        let contact = self.t[contact];
        let (layback, _) = self.peak(contact + 0.03, release, |i| external_rotation(&self.p[i]));
        let (lift, _) = self.peak((release - 2.5).max(0.0), contact - 0.1, |i| {
            self.p[i][Joint::LeftKnee].y
        });
        Events {
            knee_lift: self.t[lift],
            contact,
            layback: self.t[layback],
            release,
        }
    }

    /// Metrics by their contract ids (without the `_deg` and other unit endings where short names read better).
    pub(crate) fn metrics(&self, e: &Events) -> BTreeMap<&'static str, f64> {
        use Joint as J;
        let at = |t: f64| &self.p[self.index(t)];
        let (lift, fc, mer, rel) = (at(e.knee_lift), at(e.contact), at(e.layback), at(e.release));
        let h = self.height_m;
        let mut m = BTreeMap::new();
        let stride = fc[J::LeftAnkle] - lift[J::RightAnkle];
        m.insert("stride_length_pct_height", 100.0 * stride.x / h);
        m.insert("stride_direction", stride.z.atan2(stride.x).to_degrees());
        let foot = fc[J::LeftBigToe] - fc[J::LeftHeel];
        m.insert("lead_foot_angle_fc", foot.z.atan2(foot.x).to_degrees());
        for (name, p) in [
            ("lead_knee_flexion_fc", fc),
            ("lead_knee_flexion_mer", mer),
            ("lead_knee_flexion_rel", rel),
        ] {
            m.insert(name, flexion(p, J::LeftHip, J::LeftKnee, J::LeftAnkle));
        }
        m.insert(
            "lead_knee_flexion_lift",
            flexion(lift, J::LeftHip, J::LeftKnee, J::LeftAnkle),
        );
        m.insert(
            "lead_knee_extension",
            m["lead_knee_flexion_fc"] - m["lead_knee_flexion_rel"],
        );
        let rate = |f: &dyn Fn(&PerJoint<V>) -> f64, i: usize| {
            (f(&self.p[i + 1]) - f(&self.p[i - 1])) / (2.0 * STEP_S)
        };
        let knee = |p: &PerJoint<V>| flexion(p, J::LeftHip, J::LeftKnee, J::LeftAnkle);
        m.insert(
            "peak_lead_knee_extension_speed",
            self.peak(e.contact, e.release, |i| -rate(&knee, i)).1,
        );
        m.insert(
            "drive_knee_flexion_lift",
            flexion(lift, J::RightHip, J::RightKnee, J::RightAnkle),
        );
        m.insert(
            "drive_knee_flexion_fc",
            flexion(fc, J::RightHip, J::RightKnee, J::RightAnkle),
        );
        let (abduction, rotation) = drive_hip(fc);
        m.insert("drive_hip_abduction_fc", abduction);
        m.insert("drive_hip_rotation_fc", rotation);
        let heel = lift[J::RightHeel].y + 0.03;
        let mut i = self.index(e.contact);
        while i > 0 && self.p[i][J::RightHeel].y >= heel {
            i -= 1;
        }
        m.insert("drive_heel_lift_before_fc_s", e.contact - self.t[i]);
        m.insert("drive_knee_drop_to_arm_raise_delay_s", self.raise_delay(e));
        for (name, p) in [("fc", fc), ("mer", mer), ("rel", rel)] {
            let u = spine(p).normalize();
            let s = p[J::RightShoulder] - p[J::LeftShoulder];
            let zp = pelvis(p).column(2).into_owned();
            let z = trunk(p).column(2).into_owned();
            let g = V::new(z.x, 0.0, z.z).normalize();
            let f = V::y().cross(&g);
            let arm = p[J::RightElbow] - p[J::RightShoulder];
            let mut put = |id: &'static str, v: f64| m.insert(intern(id, name), v);
            put("pelvis_rotation", zp.z.atan2(-zp.x).to_degrees());
            put("trunk_rotation", s.z.atan2(-s.x).to_degrees());
            put(
                "hip_shoulder_separation",
                zp.z.atan2(-zp.x).to_degrees() - s.z.atan2(-s.x).to_degrees(),
            );
            put("pelvis_contralateral_tilt", zp.y.asin().to_degrees());
            put("trunk_contralateral_tilt", (-u.dot(&g)).atan2(u.y).to_degrees());
            put("shoulder_line_tilt", s.normalize().y.asin().to_degrees());
            put("trunk_lean_seen_from_target", (-u.z).atan2(u.y).to_degrees());
            put("trunk_forward_tilt", u.dot(&f).atan2(u.y).to_degrees());
            put("trunk_tilt_toward_target", u.x.atan2(u.y).to_degrees());
            put(
                "elbow_flexion",
                flexion(p, J::RightShoulder, J::RightElbow, J::RightWrist),
            );
            put("shoulder_abduction", arm.angle(&-u).to_degrees());
            let t = trunk(p);
            put(
                "shoulder_horizontal_abduction",
                -arm.dot(&t.column(0)).atan2(arm.dot(&t.column(2))).to_degrees(),
            );
            put("shoulder_external_rotation", external_rotation(p).to_degrees());
        }
        let separation = |i: usize| {
            let (zp, s) = (
                pelvis(&self.p[i]).column(2).into_owned(),
                self.p[i][J::RightShoulder] - self.p[i][J::LeftShoulder],
            );
            (zp.z.atan2(-zp.x) - s.z.atan2(-s.x)).to_degrees()
        };
        m.insert(
            "max_hip_shoulder_separation",
            self.peak(e.contact - 0.15, e.layback, separation).1,
        );
        let slot = rel[J::RightKnuckle] - rel[J::RightShoulder];
        m.insert("arm_slot_rel", slot.y.atan2(slot.z).to_degrees());
        let spin = |frame: fn(&PerJoint<V>) -> Matrix3<f64>, i: usize| {
            let (a, b) = (frame(&self.p[i - 1]), frame(&self.p[i + 1]));
            let turn = Rotation3::from_matrix_unchecked(b * a.transpose()).scaled_axis() / (2.0 * STEP_S);
            turn.dot(&frame(&self.p[i]).column(1)).to_degrees()
        };
        let (pi, pelvis_peak) = self.peak(e.contact - 0.4, e.release + 0.05, |i| spin(pelvis, i));
        let (ti, trunk_peak) = self.peak(e.contact - 0.4, e.release + 0.05, |i| spin(trunk, i));
        m.insert("peak_pelvis_rotation_speed", pelvis_peak);
        m.insert("peak_trunk_rotation_speed", trunk_peak);
        m.insert("peak_pelvis_after_fc_s", self.t[pi] - e.contact);
        let weighted = |frame: fn(&PerJoint<V>) -> Matrix3<f64>, peak: usize, top: f64| {
            let (mut a, mut b) = (peak, peak);
            while spin(frame, a - 1) > top / 2.0 {
                a -= 1;
            }
            while spin(frame, b + 1) > top / 2.0 {
                b += 1;
            }
            let sum: f64 = (a..=b).map(|i| spin(frame, i)).sum();
            (a..=b).map(|i| spin(frame, i) * self.t[i]).sum::<f64>() / sum
        };
        m.insert(
            "pelvis_to_trunk_peak_delay_s",
            weighted(trunk, ti, trunk_peak) - weighted(pelvis, pi, pelvis_peak),
        );
        let glove = |i: usize| {
            let d = |p: &PerJoint<V>| (p[J::LeftElbow] - p[J::LeftShoulder]).normalize();
            ((d(&self.p[i + 1]) - d(&self.p[i - 1])) / (2.0 * STEP_S))
                .norm()
                .to_degrees()
        };
        let (gi, glove_peak) = self.peak(e.contact - 0.2, e.layback, glove);
        m.insert("peak_glove_arm_rotation_speed", glove_peak);
        m.insert("glove_arm_peak_to_fc_s", self.t[gi] - e.contact);
        let elbow = |p: &PerJoint<V>| flexion(p, J::RightShoulder, J::RightElbow, J::RightWrist);
        let (xi, x) = self.peak(e.contact, e.release + 0.02, |i| -rate(&elbow, i));
        m.insert("peak_elbow_extension_speed", x);
        m.insert(
            "peak_elbow_extension_share",
            (self.t[xi] - e.contact) / (e.release - e.contact),
        );
        let er = |p: &PerJoint<V>| external_rotation(p).to_degrees();
        let (ri, r) = self.peak(e.layback, e.release + 0.01, |i| -rate(&er, i));
        m.insert("peak_shoulder_internal_rotation_speed", r);
        m.insert(
            "peak_shoulder_internal_rotation_share",
            (self.t[ri] - e.contact) / (e.release - e.contact),
        );
        m.insert(
            "elbow_max_flexion",
            self.peak(e.contact, e.release, |i| elbow(&self.p[i])).1,
        );
        let middle = |i: usize| (self.p[i][J::LeftHip] + self.p[i][J::RightHip]) / 2.0;
        m.insert(
            "peak_pelvis_forward_speed",
            self.peak(e.knee_lift, e.release, |i| {
                (middle(i + 1) - middle(i - 1)).x / (2.0 * STEP_S)
            })
            .1,
        );
        let (hi, hand) = self.peak(e.contact, e.release + 0.02, |i| {
            self.speed(J::RightKnuckle, i).norm()
        });
        m.insert("peak_hand_speed", hand);
        m.insert("hand_peak_to_release_s", e.release - self.t[hi]);
        let mut onset = pi;
        while onset > 1 && spin(pelvis, onset) >= 0.3 * pelvis_peak {
            onset -= 1;
        }
        m.insert("pelvis_rotation_onset_before_fc_s", e.contact - self.t[onset]);
        let travelled = middle(onset) - middle(self.index(e.knee_lift));
        m.insert(
            "pelvis_travel_before_rotation_pct_height",
            100.0 * travelled.x / h,
        );
        let at_contact = middle(self.index(e.contact)) - middle(self.index(e.knee_lift));
        m.insert(
            "pelvis_travel_by_foot_contact_pct_height",
            100.0 * at_contact.x / h,
        );
        m.insert("pelvis_drop_before_rotation_pct_height", -100.0 * travelled.y / h);
        m.insert("foot_contact_to_ball_release_s", e.release - e.contact);
        m.insert("knee_lift_to_foot_contact_s", e.contact - e.knee_lift);
        m.insert("release_height_pct_height", 100.0 * rel[J::RightKnuckle].y / h);
        m.insert("release_extension_pct_height", 100.0 * rel[J::RightKnuckle].x / h);
        m.insert("release_side_m", rel[J::RightKnuckle].z);
        m
    }

    fn raise_delay(&self, e: &Events) -> f64 {
        use Joint as J;
        let (a, b) = (self.index(e.knee_lift), self.index(e.contact));
        let halfway_knee = (self.p[a][J::RightKnee].y + self.p[b][J::RightKnee].y) / 2.0;
        let down = (a..=b)
            .find(|i| self.p[*i][J::RightKnee].y <= halfway_knee)
            .unwrap_or(b);
        let lowest = (a..=b)
            .min_by(|i, k| {
                self.p[*i][J::RightKnuckle]
                    .y
                    .total_cmp(&self.p[*k][J::RightKnuckle].y)
            })
            .unwrap_or(a);
        let halfway_hand = (self.p[lowest][J::RightKnuckle].y + self.p[b][J::RightKnuckle].y) / 2.0;
        let up = (lowest..=b)
            .find(|i| self.p[*i][J::RightKnuckle].y >= halfway_hand)
            .unwrap_or(b);
        self.t[up] - self.t[down]
    }
}

/// `id_event` as a static name (tests only; the few strings live as long as the test).
fn intern(id: &'static str, event: &str) -> &'static str {
    Box::leak(format!("{id}_{event}").into_boxed_str())
}

fn spine(p: &PerJoint<V>) -> V {
    use Joint as J;
    (p[J::LeftShoulder] + p[J::RightShoulder]) / 2.0 - (p[J::LeftHip] + p[J::RightHip]) / 2.0
}

/// Columns X, Y, Z.
fn pelvis(p: &PerJoint<V>) -> Matrix3<f64> {
    let z = (p[Joint::RightHip] - p[Joint::LeftHip]).normalize();
    let y = (V::y() - z * z.y).normalize();
    Matrix3::from_columns(&[y.cross(&z), y, z])
}

fn trunk(p: &PerJoint<V>) -> Matrix3<f64> {
    let y = spine(p).normalize();
    let x = y
        .cross(&(p[Joint::RightShoulder] - p[Joint::LeftShoulder]))
        .normalize();
    Matrix3::from_columns(&[x, y, x.cross(&y)])
}

fn flexion(p: &PerJoint<V>, a: Joint, b: Joint, c: Joint) -> f64 {
    180.0 - (p[a] - p[b]).angle(&(p[c] - p[b])).to_degrees()
}

/// Radians, in (-90, 270) degrees.
fn external_rotation(p: &PerJoint<V>) -> f64 {
    let e = (p[Joint::RightElbow] - p[Joint::RightShoulder]).normalize();
    let y = spine(p).normalize();
    let k = (y - e * y.dot(&e)).normalize();
    let d = k.cross(&e);
    let f = p[Joint::RightWrist] - p[Joint::RightElbow];
    let angle = f.dot(&k).atan2(f.dot(&d));
    if angle < -std::f64::consts::FRAC_PI_2 {
        angle + std::f64::consts::TAU
    } else {
        angle
    }
}

/// Abduction and external rotation of the right femur in the pelvis, ISB sequence Z-X-Y.
fn drive_hip(p: &PerJoint<V>) -> (f64, f64) {
    let (hip, knee, ankle) = (p[Joint::RightHip], p[Joint::RightKnee], p[Joint::RightAnkle]);
    let y = (hip - knee).normalize();
    let z = (ankle - knee).cross(&(knee - hip)).normalize();
    let thigh = Matrix3::from_columns(&[y.cross(&z), y, z]);
    let r = pelvis(p).transpose() * thigh;
    // R = Rz(a) Rx(b) Ry(c): r32 = sin b, r31 = -cos b sin c, r33 = cos b cos c.
    let adduction = r[(2, 1)].asin();
    let internal = (-r[(2, 0)]).atan2(r[(2, 2)]);
    (-adduction.to_degrees(), -internal.to_degrees())
}
