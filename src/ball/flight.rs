//! The law of flight and its fit to both views.
//!
//! `p(s) = p0 + v s + a s2 / 2`. The acceleration is held by a prior: gravity, drag, and what spin may add. Every sighting
//! counts at its own row's instant.

use nalgebra::{DMatrix, DVector, Matrix2x3, SMatrix, SVector, Vector2, Vector3};

use crate::ball::{FlightState, Settings, Sight};
use crate::geometry::{PixelPoint, WorldPoint};

/// Unknowns: position, velocity, acceleration.
const UNKNOWNS: usize = 9;
/// Rounds of Gauss-Newton; the weights settle within six.
const ROUNDS: usize = 8;
/// Degrees of freedom of the sightings' errors as Student's t.
const TAIL_FREEDOM: f64 = 4.0;

/// Covariance of position, velocity and acceleration.
pub(crate) type Covariance = SMatrix<f64, UNKNOWNS, UNKNOWNS>;

/// The ball in one picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sighting {
    /// 0 left, 1 right.
    pub(crate) phone: usize,
    /// Its own row's instant after the epoch, seconds.
    pub(crate) after_s: f64,
    pub(crate) at: PixelPoint,
}

/// A fitted flight.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fit {
    pub(crate) state: FlightState,
    pub(crate) covariance: Covariance,
}

/// Position and velocity by linear least squares of the lines of sight, the acceleration being known; `None` when they do
/// not determine them.
pub(crate) fn start(
    sights: &[Sight; 2],
    sightings: &[Sighting],
    acceleration_m_s2: Vector3<f64>,
) -> Option<FlightState> {
    let mut rows = DMatrix::zeros(2 * sightings.len(), 6);
    let mut right = DVector::zeros(2 * sightings.len());
    for (i, seen) in sightings.iter().enumerate() {
        let sight = &sights[seen.phone];
        let line = sight.camera.undistort(seen.at)?;
        let turn = sight.pose.0.rotation.matrix();
        let shift = sight.pose.0.translation_m;
        let s = seen.after_s;
        let fallen = turn * acceleration_m_s2 * (0.5 * s * s) + shift;
        for k in 0..2 {
            // Camera x (or y) less the line's slope times depth is zero.
            let across = turn.row(k) - turn.row(2) * line[k];
            rows.view_mut((2 * i + k, 0), (1, 3)).copy_from(&across);
            rows.view_mut((2 * i + k, 3), (1, 3)).copy_from(&(across * s));
            right[2 * i + k] = line[k] * fallen.z - fallen[k];
        }
    }
    let normal = rows.transpose() * &rows;
    let solved = normal.cholesky()?.solve(&(rows.transpose() * right));
    Some(FlightState {
        position_m: solved.fixed_rows::<3>(0).into_owned(),
        velocity_m_s: solved.fixed_rows::<3>(3).into_owned(),
        acceleration_m_s2,
    })
}

/// Gravity and drag of a ball of this velocity, m/s2.
pub(crate) fn expected_acceleration(settings: &Settings, velocity_m_s: Vector3<f64>) -> Vector3<f64> {
    -Vector3::y() * settings.gravity_m_s2 - velocity_m_s * (velocity_m_s.norm() * settings.drag_per_m)
}

/// Pixel less sighting, and its derivative by the ball's place; `None` behind the phone.
pub(crate) fn miss(
    sight: &Sight,
    state: &FlightState,
    seen: &Sighting,
) -> Option<(Vector2<f64>, Matrix2x3<f64>)> {
    let local = sight.pose.apply(WorldPoint(state.position_at(seen.after_s)));
    let pixel = sight.camera.project(local)?;
    let slope = sight.camera.project_jacobian(local)? * sight.pose.0.rotation.matrix();
    Some((pixel.vector() - seen.at.vector(), slope))
}

/// Robust fit from a start; `sd_px` is the usual error of a sighting of each phone. `None` when it is not determined.
pub(crate) fn fit(
    sights: &[Sight; 2],
    sightings: &[Sighting],
    sd_px: [f64; 2],
    from: &FlightState,
    settings: &Settings,
) -> Option<Fit> {
    let mut state = *from;
    let mut covariance = Covariance::zeros();
    // A sure prior would be singular only in the limit of zero doubt.
    let prior = settings.acceleration_sd_m_s2.max(1e-6).powi(-2);
    for _ in 0..ROUNDS {
        let mut normal = Covariance::zeros();
        let mut gradient = SVector::<f64, UNKNOWNS>::zeros();
        for seen in sightings {
            let (miss, slope) = miss(&sights[seen.phone], &state, seen)?;
            let sd = sd_px[seen.phone];
            let size = miss.norm() / sd;
            let weight = ((TAIL_FREEDOM + 2.0) / (TAIL_FREEDOM + size * size)).min(1.0) / (sd * sd);
            let s = seen.after_s;
            let mut by = SMatrix::<f64, 2, UNKNOWNS>::zeros();
            by.fixed_columns_mut::<3>(0).copy_from(&slope);
            by.fixed_columns_mut::<3>(3).copy_from(&(slope * s));
            by.fixed_columns_mut::<3>(6).copy_from(&(slope * (0.5 * s * s)));
            normal += by.transpose() * by * weight;
            gradient += by.transpose() * miss * weight;
        }
        let off = state.acceleration_m_s2 - expected_acceleration(settings, state.velocity_m_s);
        for axis in 0..3 {
            normal[(6 + axis, 6 + axis)] += prior;
            gradient[6 + axis] += prior * off[axis];
        }
        let factor = normal.cholesky()?;
        let step = factor.solve(&gradient);
        state.position_m -= step.fixed_rows::<3>(0);
        state.velocity_m_s -= step.fixed_rows::<3>(3);
        state.acceleration_m_s2 -= step.fixed_rows::<3>(6);
        covariance = factor.inverse();
    }
    state
        .position_m
        .iter()
        .chain(&state.velocity_m_s)
        .all(|v| v.is_finite())
        .then_some(Fit { state, covariance })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Camera, CameraFromWorld, QuarterTurns, Shutter};
    use crate::units::Seconds;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    fn sights() -> [Sight; 2] {
        [(-3.6, 1280), (4.5, 1920)].map(|(x, width_px)| {
            let scale = f64::from(width_px) / 1280.0;
            let camera = Camera {
                width_px,
                height_px: width_px * 9 / 16,
                fx_px: 1010.0 * scale,
                fy_px: 1008.0 * scale,
                cx_px: 641.0 * scale,
                cy_px: 355.0 * scale,
                distortion: [0.09, -0.2, 0.0006, -0.0004, 0.07],
            };
            Sight {
                camera,
                pose: CameraFromWorld::looking_at(
                    WorldPoint(Vector3::new(x, 1.3, 4.9)),
                    WorldPoint(Vector3::new(0.55, 1.0, 0.0)),
                )
                .unwrap(),
                shutter: Shutter::unknown(camera.width_px, camera.height_px, QuarterTurns::Zero),
                shift_s: 0.0,
                zero: Seconds(0.0),
                rate_hz: 240.0,
            }
        })
    }

    fn thrown(settings: &Settings) -> FlightState {
        let velocity_m_s = Vector3::new(37.1, -0.4, -1.3);
        FlightState {
            position_m: Vector3::new(1.62, 1.83, 0.61),
            velocity_m_s,
            acceleration_m_s2: expected_acceleration(settings, velocity_m_s),
        }
    }

    /// The ball in eight frames of each phone, each at the instant of its own row.
    fn filmed(sights: &[Sight; 2], state: &FlightState, sd_px: f64, seed: u64) -> Vec<Sighting> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut all = Vec::new();
        for (phone, sight) in sights.iter().enumerate() {
            for frame in 0..8 {
                let pts_s = 0.012 + 0.0013 * phone as f64 + f64::from(frame) / 240.0;
                let mut at = PixelPoint::new(0.0, 0.0);
                let mut after_s = pts_s;
                for _ in 0..30 {
                    after_s = pts_s + sight.shutter.delay(at).0;
                    let local = sight.pose.apply(WorldPoint(state.position_at(after_s)));
                    at = sight.camera.project(local).unwrap();
                }
                let mut noise = || sd_px * random.sample::<f64, _>(StandardNormal);
                let at = PixelPoint::new(at.x_px + noise(), at.y_px + noise());
                all.push(Sighting { phone, after_s, at });
            }
        }
        all
    }

    fn fitted(sightings: &[Sighting], settings: &Settings, sd_px: f64) -> Fit {
        let sights = sights();
        let start = start(&sights, sightings, -Vector3::y() * settings.gravity_m_s2).unwrap();
        fit(&sights, sightings, [sd_px; 2], &start, settings).unwrap()
    }

    #[test]
    fn perfect_sightings_give_the_flight_exactly() {
        let straight = Settings {
            drag_per_m: 0.0,
            ..Settings::default()
        };
        for settings in [straight, Settings::default()] {
            let truth = thrown(&settings);
            let found = fitted(&filmed(&sights(), &truth, 0.0, 1), &settings, 0.3).state;
            assert!((found.position_m - truth.position_m).norm() < 1e-6);
            assert!((found.velocity_m_s - truth.velocity_m_s).norm() < 1e-6);
            let after_s = -0.01;
            assert!((found.position_at(after_s) - truth.position_at(after_s)).norm() < 1e-6);
        }
    }

    #[test]
    fn a_wrong_spot_hardly_moves_the_flight() {
        let settings = Settings::default();
        let truth = thrown(&settings);
        let mut sightings = filmed(&sights(), &truth, 0.3, 2);
        let clean = fitted(&sightings, &settings, 0.3).state;
        sightings[4].at.x_px += 40.0;
        sightings[12].at.y_px -= 25.0;
        let bent = fitted(&sightings, &settings, 0.3).state;
        let speed = |state: &FlightState| state.velocity_m_s.norm();
        assert!((speed(&clean) / speed(&truth) - 1.0).abs() < 0.01);
        assert!((speed(&bent) / speed(&clean) - 1.0).abs() < 0.003);
    }

    #[test]
    fn the_covariance_is_the_spread_of_many_noisy_flights() {
        let settings = Settings::default();
        let truth = thrown(&settings);
        let sd_px = 0.5;
        let errors: Vec<f64> = (0..200)
            .map(|seed| {
                let fit = fitted(&filmed(&sights(), &truth, sd_px, 100 + seed), &settings, sd_px);
                let sd = fit.covariance.fixed_view::<3, 3>(3, 3).diagonal().map(f64::sqrt);
                (fit.state.velocity_m_s - truth.velocity_m_s).x / sd.x
            })
            .collect();
        // The doubt holds the prior of the acceleration too, which is not drawn here: the spread stays a little below it.
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
        assert!((0.5..1.15).contains(&rms), "{rms}");
    }
}
