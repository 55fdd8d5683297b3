//! One delivery: posture, joints and ball at any instant.

use nalgebra::{Matrix3, Quaternion, Rotation3, Unit, UnitQuaternion, Vector3};

use super::ball::{BALL_RADIUS_M, CATCHER_X_M, Flight};
use super::choreography::Choreography;
use super::phases::Phases;
use super::style::Style;
use crate::scene::rig::{Bone, PosedRig, Posture, Rig};
use crate::skeleton::{Joint, PerJoint, Side};
use crate::trajectory::{JointState, Trajectory};
use crate::units::Seconds;

/// Step of the central differences that give velocity and acceleration.
const STEP_S: f64 = 1e-4;
/// Central differences of order 8 for the first derivative: weights at 1 to 4 steps.
const FIRST: [f64; 4] = [4.0 / 5.0, -1.0 / 5.0, 4.0 / 105.0, -1.0 / 280.0];
/// Central differences of order 8 for the second derivative: weights at 0 to 4 steps.
const SECOND: [f64; 5] = [-205.0 / 72.0, 8.0 / 5.0, -1.0 / 5.0, 8.0 / 315.0, -1.0 / 560.0];
/// Where the ball sits in the hand: beyond the knuckle along the hand, share of body height.
const GRIP_ALONG: f64 = 0.035;
/// Height of the batter whose strike zone is aimed at, metres.
const BATTER_M: f64 = 1.8;

/// A pitching delivery whose every instant is known.
#[derive(Clone, Debug)]
pub struct Delivery {
    throws: Side,
    rig: Rig,
    right_hander: Choreography,
    flight: Flight,
}

impl Delivery {
    /// A delivery of this style by this body; times count from the start of the recording, metres in the world frame
    /// with the ground at y = 0.
    #[must_use]
    pub fn new(style: &Style, rig: &Rig) -> Self {
        // A left-hander is a right-hander seen in a mirror, body and all.
        let seen = match style.throws {
            Side::Right => rig.clone(),
            Side::Left => rig.mirrored(),
        };
        let right_hander = Choreography::new(style, seen);
        let release_s = right_hander.phases.release_s;
        let knuckle = |t: f64| {
            let joints = right_hander
                .rig
                .joints(&right_hander.rig.pose(&right_hander.posture(t)));
            joints[Joint::RightKnuckle]
        };
        let flight = Flight::new(
            style.level,
            BATTER_M,
            release_s,
            carried_ball(&right_hander, release_s),
            first_derivative(|t| carried_ball(&right_hander, t), release_s),
            first_derivative(knuckle, release_s).norm(),
        );
        Self {
            throws: style.throws,
            rig: rig.clone(),
            right_hander,
            flight,
        }
    }

    /// The instants that the movement is keyed to.
    #[must_use]
    pub fn phases(&self) -> &Phases {
        &self.right_hander.phases
    }

    /// The body.
    #[must_use]
    pub fn rig(&self) -> &Rig {
        &self.rig
    }

    /// The throwing arm's side.
    #[must_use]
    pub fn throws(&self) -> Side {
        self.throws
    }

    /// The rig's posture, world frame.
    #[must_use]
    pub fn posture_at(&self, t_s: f64) -> Posture {
        let posture = self.right_hander.posture(t_s);
        match self.throws {
            Side::Right => posture,
            Side::Left => mirrored(&posture),
        }
    }

    /// The joints, world frame, metres.
    #[must_use]
    pub fn joints_at(&self, t_s: f64) -> PerJoint<Vector3<f64>> {
        self.rig.joints(&self.rig.pose(&self.posture_at(t_s)))
    }

    /// The ball's centre, world frame, metres: in the hand until release, then in free flight; `None` once it is in the
    /// catcher's glove.
    #[must_use]
    pub fn ball_at(&self, t_s: f64) -> Option<Vector3<f64>> {
        let ball = if t_s < self.flight.release_s {
            carried_ball(&self.right_hander, t_s) + self.flight.pushed_m(t_s)
        } else {
            self.flight.flying_m(t_s)
        };
        (ball.x < CATCHER_X_M).then(|| self.as_thrown(ball))
    }

    /// The flight: release instant, point and velocity, world frame.
    #[must_use]
    pub fn flight(&self) -> Flight {
        let mut flight = self.flight.clone();
        flight.release_point_m = self.as_thrown(flight.release_point_m);
        flight.velocity_m_s = self.as_thrown(flight.velocity_m_s);
        flight
    }

    /// All joints' positions, velocities and accelerations at these instants (seconds from the start of the recording).
    #[must_use]
    pub fn trajectory(&self, times_s: &[f64]) -> Trajectory {
        let states: Vec<PerJoint<JointState>> = times_s.iter().map(|t| self.states_at(*t)).collect();
        Trajectory {
            times: times_s.iter().map(|t| Seconds(*t)).collect(),
            joints: PerJoint::from_fn(|joint| states.iter().map(|s| Some(s[joint])).collect()),
            world_known: true,
        }
    }

    /// All joints' states at one instant.
    #[must_use]
    pub fn states_at(&self, t_s: f64) -> PerJoint<JointState> {
        let around: Vec<PerJoint<Vector3<f64>>> = (-4..=4)
            .map(|i| self.joints_at(t_s + f64::from(i) * STEP_S))
            .collect();
        PerJoint::from_fn(|joint| {
            let at = |i: usize| around[i][joint];
            let mut velocity = Vector3::zeros();
            let mut acceleration = at(4) * SECOND[0];
            for i in 1..=4 {
                velocity += (at(4 + i) - at(4 - i)) * FIRST[i - 1];
                acceleration += (at(4 + i) + at(4 - i)) * SECOND[i];
            }
            JointState {
                position_m: at(4),
                velocity_m_s: velocity / STEP_S,
                acceleration_m_s2: acceleration / (STEP_S * STEP_S),
                sd_m: None,
            }
        })
    }

    fn as_thrown(&self, right_handers: Vector3<f64>) -> Vector3<f64> {
        match self.throws {
            Side::Right => right_handers,
            Side::Left => Vector3::new(right_handers.x, right_handers.y, -right_handers.z),
        }
    }
}

/// First derivative of a path, central differences of order 8.
fn first_derivative(path: impl Fn(f64) -> Vector3<f64>, t_s: f64) -> Vector3<f64> {
    (1..=4).fold(Vector3::zeros(), |sum, i| {
        let step = f64::from(i) * STEP_S;
        sum + (path(t_s + step) - path(t_s - step)) * FIRST[i as usize - 1]
    }) / STEP_S
}

/// A right-hander's ball when it is carried: beyond the knuckle, on the palm's side.
fn carried_ball(right_hander: &Choreography, t_s: f64) -> Vector3<f64> {
    let rig = &right_hander.rig;
    let posed: PosedRig = rig.pose(&right_hander.posture(t_s));
    let hand = Bone::RightHand as usize;
    let along = (rig.joints_m[Joint::RightKnuckle] - rig.heads_m[hand]).normalize();
    let palm = Vector3::new(0.75, -0.66, 0.0);
    let palm = (palm - along * along.dot(&palm)).normalize();
    let offset = along * (GRIP_ALONG * rig.height_m) + palm * (BALL_RADIUS_M * 0.8);
    let knuckle = rig.joints(&posed)[Joint::RightKnuckle];
    knuckle + posed.orientations[hand] * offset
}

/// A posture seen in the mirror z -> -z, of the mirrored body.
fn mirrored(posture: &Posture) -> Posture {
    let pelvis_m = Vector3::new(posture.pelvis_m.x, posture.pelvis_m.y, -posture.pelvis_m.z);
    let turns = std::array::from_fn(|i| {
        let bone = Bone::ALL[i];
        let turn = &posture.turns[bone.mirrored() as usize];
        if bone == Bone::Pelvis {
            // World and body have different mirror planes: world z, body x.
            let world = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, -1.0));
            let body = Matrix3::from_diagonal(&Vector3::new(-1.0, 1.0, 1.0));
            let matrix = world * turn.to_rotation_matrix().matrix() * body;
            let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(matrix));
            UnitQuaternion::new_normalize(turn.into_inner())
        } else {
            // A mirrored turn has its axis mirrored and its angle reversed.
            Unit::new_unchecked(Quaternion::new(turn.w, turn.i, -turn.j, -turn.k))
        }
    });
    Posture { pelvis_m, turns }
}
