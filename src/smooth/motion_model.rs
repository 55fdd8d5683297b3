//! The motion model: constant acceleration disturbed by white jerk, along each axis.
//!
//! State: position, velocity, acceleration of the three axes (9). Over a step h the state moves by the Taylor matrix, and
//! white jerk of density q (m2/s5) adds `q [h^5/20, h^4/8, h^3/6; h^4/8, h^3/3, h^2/2; h^3/6, h^2/2, h]` to the
//! covariance of each axis (Bar-Shalom, Li, Kirubarajan, *Estimation with Applications to Tracking and Navigation*,
//! section 6.2.3, one order higher). Measured positions couple the axes through their covariance.

use adskalman::{ObservationModel, StateAndCovariance, TransitionModelLinearNoControl};
use nalgebra::{Const, Matrix3, SMatrix, SVector, Vector3};

/// Time inside the filter counts in this unit, so that the entries of position, velocity and acceleration are of like
/// size and the covariances stay well conditioned; seconds.
const TIME_UNIT_S: f64 = 0.005;

pub(super) type StateSize = Const<9>;
pub(super) type State = StateAndCovariance<f64, StateSize>;
type Square = SMatrix<f64, 9, 9>;

/// State of a path at one instant with its covariance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PathState {
    /// Position, metres.
    pub position_m: Vector3<f64>,
    /// Velocity, metres per second.
    pub velocity_m_s: Vector3<f64>,
    /// Acceleration, metres per second squared.
    pub acceleration_m_s2: Vector3<f64>,
    /// Covariance of the nine above, in this order, in their units.
    pub covariance: SMatrix<f64, 9, 9>,
}

impl PathState {
    /// Covariance of the position, square metres.
    #[must_use]
    pub fn position_covariance_m2(&self) -> Matrix3<f64> {
        self.covariance.fixed_view::<3, 3>(0, 0).into_owned()
    }

    /// Covariance of the velocity, (m/s)^2.
    #[must_use]
    pub fn velocity_covariance_m2_s2(&self) -> Matrix3<f64> {
        self.covariance.fixed_view::<3, 3>(3, 3).into_owned()
    }

    /// Into the filter's unit of time.
    pub(super) fn to_filter(self) -> State {
        let mut state = SVector::<f64, 9>::zeros();
        state.fixed_rows_mut::<3>(0).copy_from(&self.position_m);
        state.fixed_rows_mut::<3>(3).copy_from(&self.velocity_m_s);
        state.fixed_rows_mut::<3>(6).copy_from(&self.acceleration_m_s2);
        let scale = time_scale();
        State::new(scale * state, scale * self.covariance * scale)
    }

    /// Back from the filter's unit of time.
    pub(super) fn from_filter(filtered: &State) -> Self {
        let back = time_scale().map_diagonal(|d| 1.0 / d);
        let back = Square::from_diagonal(&back);
        let state = back * filtered.state();
        Self {
            position_m: state.fixed_rows::<3>(0).into_owned(),
            velocity_m_s: state.fixed_rows::<3>(3).into_owned(),
            acceleration_m_s2: state.fixed_rows::<3>(6).into_owned(),
            covariance: back * filtered.covariance() * back,
        }
    }
}

/// Takes a state in seconds to the filter's unit of time.
fn time_scale() -> Square {
    let tau = TIME_UNIT_S;
    Square::from_diagonal(&SVector::from_fn(|i, _| tau.powi((i / 3) as i32)))
}

/// The same 3 x 3 pattern on each of the three axes.
fn on_each_axis(pattern: Matrix3<f64>) -> Square {
    Square::from_fn(|i, k| {
        if i % 3 == k % 3 {
            pattern[(i / 3, k / 3)]
        } else {
            0.0
        }
    })
}

/// The transition over one interval.
pub(super) struct Interval {
    transition: Square,
    transposed: Square,
    noise: Square,
}

impl Interval {
    /// Over `step_s` seconds with white jerk of density `jerk_m2_s5`.
    pub(super) fn new(step_s: f64, jerk_m2_s5: f64) -> Self {
        let h = step_s / TIME_UNIT_S;
        let q = jerk_m2_s5 * TIME_UNIT_S.powi(5);
        let transition = on_each_axis(Matrix3::new(1.0, h, h * h / 2.0, 0.0, 1.0, h, 0.0, 0.0, 1.0));
        let (h2, h3, h4, h5) = (h * h, h.powi(3), h.powi(4), h.powi(5));
        let noise = Matrix3::new(
            h5 / 20.0,
            h4 / 8.0,
            h3 / 6.0,
            h4 / 8.0,
            h3 / 3.0,
            h2 / 2.0,
            h3 / 6.0,
            h2 / 2.0,
            h,
        );
        Self {
            transition,
            transposed: transition.transpose(),
            noise: on_each_axis(noise * q),
        }
    }
}

// F, Q, H, R: the names of the filter's literature, fixed by the trait.
impl TransitionModelLinearNoControl<f64, StateSize> for Interval {
    fn F(&self) -> &Square {
        &self.transition
    }
    fn FT(&self) -> &Square {
        &self.transposed
    }
    fn Q(&self) -> &Square {
        &self.noise
    }
}

/// A measured position.
pub(super) struct PositionSeen {
    from_state: SMatrix<f64, 3, 9>,
    transposed: SMatrix<f64, 9, 3>,
    covariance_m2: Matrix3<f64>,
}

impl PositionSeen {
    /// With its covariance, square metres.
    pub(super) fn new(covariance_m2: Matrix3<f64>) -> Self {
        let from_state = SMatrix::<f64, 3, 9>::identity();
        Self {
            from_state,
            transposed: from_state.transpose(),
            covariance_m2,
        }
    }
}

// F, Q, H, R: the names of the filter's literature, fixed by the trait.
impl ObservationModel<f64, StateSize, Const<3>> for PositionSeen {
    fn H(&self) -> &SMatrix<f64, 3, 9> {
        &self.from_state
    }
    fn HT(&self) -> &SMatrix<f64, 9, 3> {
        &self.transposed
    }
    fn R(&self) -> &Matrix3<f64> {
        &self.covariance_m2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_half_steps_make_one_step() {
        let (whole, half) = (Interval::new(0.01, 1e6), Interval::new(0.005, 1e6));
        assert!((half.transition * half.transition - whole.transition).norm() < 1e-12);
        let noise = half.transition * half.noise * half.transposed + half.noise;
        assert!((noise - whole.noise).norm() < 1e-12 * whole.noise.norm());
    }

    #[test]
    fn changing_the_unit_of_time_and_back_changes_nothing() {
        let state = PathState {
            position_m: Vector3::new(1.0, 2.0, 3.0),
            velocity_m_s: Vector3::new(-4.0, 5.0, 6.0),
            acceleration_m_s2: Vector3::new(7.0, -80.0, 9.0),
            covariance: SMatrix::from_fn(|i, k| (1 + i * k) as f64),
        };
        let back = PathState::from_filter(&state.to_filter());
        assert!((back.acceleration_m_s2 - state.acceleration_m_s2).norm() < 1e-12);
        assert!((back.covariance - state.covariance).norm() < 1e-9);
    }
}
