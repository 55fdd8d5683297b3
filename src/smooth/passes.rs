//! The two passes over one path: Kalman filter forward, Rauch-Tung-Striebel smoother backward, over irregular times.

use adskalman::{CovarianceUpdateMethod, Error as FilterError};
use adskalman::{KalmanFilterNoControl, ObservationModel, TransitionModelLinearNoControl};
use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::smooth::motion_model::{Interval, PathState, PositionSeen, State};

/// A measured position with its covariance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Position, metres.
    pub position_m: Vector3<f64>,
    /// Covariance, square metres; positive definite.
    pub covariance_m2: Matrix3<f64>,
}

/// Doubt of a path's state before anything is measured, standard deviation per axis: position, metres.
const START_SD_M: f64 = 1.0;
/// The same for velocity, metres per second: faster than any hand.
const START_SD_M_S: f64 = 50.0;
/// The same for acceleration, metres per second squared: a hand at 30 m/s on an arc of 0.7 m has 1300.
const START_SD_M_S2: f64 = 5000.0;

/// How many measurements the first guess of a path's state is fitted to.
const START_SAMPLES: usize = 9;

/// What one measurement did to the forward pass.
pub(super) struct Update {
    /// Measured minus predicted position, metres.
    pub(super) innovation_m: Vector3<f64>,
    /// Inverse of the innovation's covariance.
    pub(super) precision: Matrix3<f64>,
    /// What the state takes of the innovation, in the filter's unit of time.
    pub(super) gain: SMatrix<f64, 9, 3>,
}

impl Update {
    /// Squared innovation in standard deviations: chi-square with 3 degrees of freedom.
    pub(super) fn surprise(&self) -> f64 {
        self.innovation_m.dot(&(self.precision * self.innovation_m))
    }
}

/// What the forward pass yields.
pub(super) struct Forward {
    /// State after each instant's measurement.
    pub(super) filtered: Vec<State>,
    /// What each measurement did; `None` where nothing was measured.
    pub(super) updates: Vec<Option<Update>>,
}

/// Filters a path forward.
pub(super) fn forward(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
    start: &PathState,
) -> Result<Forward, FilterError> {
    let mut filtered = Vec::with_capacity(times_s.len());
    let mut updates = Vec::with_capacity(times_s.len());
    let mut prior = start.to_filter();
    for (i, now) in measured.iter().enumerate() {
        if let Some(last) = filtered.last() {
            prior = Interval::new(times_s[i] - times_s[i - 1], jerk_m2_s5).predict(last);
        }
        updates.push(now.as_ref().and_then(|m| update(&prior, m)));
        filtered.push(match now {
            Some(m) => PositionSeen::new(m.covariance_m2).update(
                &prior,
                &m.position_m,
                CovarianceUpdateMethod::JosephForm,
            )?,
            None => prior.clone(),
        });
    }
    Ok(Forward { filtered, updates })
}

/// Smooths a path: state at every instant given all measurements.
///
/// `times_s` increase; `measured` has one entry per time, `None` where nothing was measured; `start` is the knowledge at
/// the first instant before its measurement.
///
/// # Errors
/// When a covariance is not positive definite.
pub fn smooth_path(
    times_s: &[f64],
    measured: &[Option<Measured>],
    jerk_m2_s5: f64,
    start: &PathState,
) -> Result<Vec<PathState>, FilterError> {
    let filtered = forward(times_s, measured, jerk_m2_s5, start)?.filtered;
    let mut smoothed: Vec<State> = Vec::with_capacity(filtered.len());
    for (i, state) in filtered.into_iter().enumerate().rev() {
        let Some(future) = smoothed.last() else {
            smoothed.push(state);
            continue;
        };
        // The library smooths a whole series with one interval; over irregular times it is asked for one step at a time.
        let interval = Interval::new(times_s[i + 1] - times_s[i], jerk_m2_s5);
        // This observation model plays no part in the backward pass.
        let unused = PositionSeen::new(Matrix3::identity());
        let pair = KalmanFilterNoControl::new(&interval, &unused)
            .smooth_from_filtered(vec![state, future.clone()])?;
        smoothed.extend(pair.into_iter().next());
    }
    smoothed.reverse();
    Ok(smoothed.iter().map(PathState::from_filter).collect())
}

/// A first guess of the state at the first instant: a parabola through the first measurements, with doubt so wide that
/// the measurements alone decide.
pub(super) fn start(times_s: &[f64], measured: &[Option<Measured>]) -> PathState {
    let first: Vec<(f64, Vector3<f64>)> = times_s
        .iter()
        .zip(measured)
        .filter_map(|(t, m)| Some((t - times_s[0], m.as_ref()?.position_m)))
        .take(START_SAMPLES)
        .collect();
    let coefficients = parabola(&first).unwrap_or_else(|| {
        let level = first.first().map_or_else(Vector3::zeros, |(_, p)| *p);
        [level, Vector3::zeros(), Vector3::zeros()]
    });
    let variances =
        SVector::<f64, 9>::from_fn(|i, _| [START_SD_M, START_SD_M_S, START_SD_M_S2][i / 3].powi(2));
    PathState {
        position_m: coefficients[0],
        velocity_m_s: coefficients[1],
        acceleration_m_s2: coefficients[2] * 2.0,
        covariance: SMatrix::from_diagonal(&variances),
    }
}

/// Least-squares parabola `c0 + c1 t + c2 t^2`; `None` with fewer than three points.
fn parabola(points: &[(f64, Vector3<f64>)]) -> Option<[Vector3<f64>; 3]> {
    if points.len() < 3 {
        return None;
    }
    // Time in units of the span keeps the normal equations well conditioned.
    let span = points.last()?.0 - points.first()?.0;
    let mut normal = Matrix3::zeros();
    let mut right = Matrix3::zeros();
    for (t, p) in points {
        let powers = Vector3::new(1.0, t / span, (t / span).powi(2));
        normal += powers * powers.transpose();
        right += powers * p.transpose();
    }
    let solved = normal.cholesky()?.solve(&right);
    Some(std::array::from_fn(|i| {
        solved.row(i).transpose() / span.powi(i as i32)
    }))
}

/// What a measurement is about to do to the state.
fn update(prior: &State, measured: &Measured) -> Option<Update> {
    let precision = (prior.covariance().fixed_view::<3, 3>(0, 0) + measured.covariance_m2).try_inverse()?;
    Some(Update {
        innovation_m: measured.position_m - prior.state().fixed_rows::<3>(0),
        precision,
        gain: prior.covariance().fixed_view::<9, 3>(0, 0) * precision,
    })
}
