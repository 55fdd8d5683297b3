//! What noise does to the flight: versions under draws of pixel noise and spin, of the clock, the rig and the readout.

use nalgebra::{Rotation3, SVector, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::ball::flight::{Fit, Sighting, fit};
use crate::ball::{FlightState, Settings, Sight};
use crate::geometry::Rigid;

/// Seed of the draws: the same recording gives the same doubt.
const SEED: u64 = 73_000;

/// How well the rig is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RigDoubt {
    /// Standard deviation of the right phone's turn against the left, about each axis, degrees.
    pub turn_sd_deg: f64,
    /// Standard deviation of its place against the left, along each axis, metres.
    pub place_sd_m: f64,
    /// Standard deviation of each focal length, left and right, pixels.
    pub focal_sd_px: [f64; 2],
}

/// What a fit hangs on.
pub(crate) struct Ground<'a> {
    pub(crate) sights: &'a [Sight; 2],
    pub(crate) sightings: &'a [Sighting],
    pub(crate) sd_px: [f64; 2],
    pub(crate) settings: &'a Settings,
}

type Numbers = SVector<f64, 9>;

/// One version for each draw of the clock: how much later the right phone's pictures might be, seconds.
pub(crate) fn versions(ground: &Ground<'_>, best: &Fit, rig: &RigDoubt, late_s: &[f64]) -> Vec<FlightState> {
    let around = |sights: &[Sight; 2], sightings: &[Sighting]| {
        let again = fit(sights, sightings, ground.sd_px, &best.state, ground.settings);
        again.map_or_else(Numbers::zeros, |f| numbers(&f.state) - numbers(&best.state))
    };
    let shared: Vec<Numbers> = disturbed(ground.sights, rig)
        .iter()
        .map(|sights| around(sights, ground.sightings))
        .chain((0..2).map(|phone| around(ground.sights, &read_slower(ground, phone))))
        .collect();
    const STEP_S: f64 = 1e-4;
    let by_clock = around(ground.sights, &later(ground.sightings, STEP_S)) / STEP_S;
    // A covariance that is not positive by rounding has no root: then the sightings' own noise is left out.
    let root = best
        .covariance
        .cholesky()
        .map_or_else(nalgebra::SMatrix::zeros, |c| c.l());
    late_s
        .iter()
        .enumerate()
        .map(|(stream, late_s)| {
            let mut random = ChaCha8Rng::seed_from_u64(SEED);
            random.set_stream(stream as u64);
            let own = root * Numbers::from_fn(|_, _| random.sample::<f64, _>(StandardNormal));
            let others: Numbers = shared
                .iter()
                .map(|change| change * random.sample::<f64, _>(StandardNormal))
                .sum();
            moved(&best.state, &(own + others + by_clock * *late_s))
        })
        .collect()
}

/// The sights with one number of the rig off by its deviation, one after the other.
fn disturbed(sights: &[Sight; 2], rig: &RigDoubt) -> Vec<[Sight; 2]> {
    let mut all = Vec::new();
    for axis in 0..3 {
        let along = Vector3::from_fn(|i, _| if i == axis { 1.0 } else { 0.0 });
        let turn = Rotation3::from_scaled_axis(along * rig.turn_sd_deg.to_radians());
        for change in [
            Rigid::new(turn, Vector3::zeros()),
            Rigid::new(Rotation3::identity(), along * rig.place_sd_m),
        ] {
            let mut other = *sights;
            other[1].pose.0 = change.after(&other[1].pose.0);
            all.push(other);
        }
    }
    for (phone, sd_px) in rig.focal_sd_px.into_iter().enumerate() {
        let mut other = *sights;
        other[phone].camera.fx_px += sd_px;
        other[phone].camera.fy_px += sd_px;
        all.push(other);
    }
    all
}

/// The sightings as they would be were a phone's readout slower by its deviation. Only the difference from the middle row
/// counts: the clock offset was found with the same shutter.
fn read_slower(ground: &Ground<'_>, phone: usize) -> Vec<Sighting> {
    let shutter = &ground.sights[phone].shutter;
    let mut other = ground.sightings.to_vec();
    for seen in other.iter_mut().filter(|s| s.phone == phone) {
        seen.after_s += shutter.readout_sd_s * (shutter.row_share(seen.at) - 0.5);
    }
    other
}

fn later(sightings: &[Sighting], by_s: f64) -> Vec<Sighting> {
    let mut other = sightings.to_vec();
    for seen in other.iter_mut().filter(|s| s.phone == 1) {
        seen.after_s += by_s;
    }
    other
}

fn numbers(state: &FlightState) -> Numbers {
    Numbers::from_iterator(
        state
            .position_m
            .iter()
            .chain(&state.velocity_m_s)
            .chain(&state.acceleration_m_s2)
            .copied(),
    )
}

fn moved(state: &FlightState, by: &Numbers) -> FlightState {
    FlightState {
        position_m: state.position_m + by.fixed_rows::<3>(0),
        velocity_m_s: state.velocity_m_s + by.fixed_rows::<3>(3),
        acceleration_m_s2: state.acceleration_m_s2 + by.fixed_rows::<3>(6),
    }
}
