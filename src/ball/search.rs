//! Which flight it is: a chain of each phone together, then every frame again.

use nalgebra::Vector3;

use crate::ball::chains::{Chain, chains};
use crate::ball::doubt::{Ground, RigDoubt, versions};
use crate::ball::flight::{Fit, Sighting, expected_acceleration, fit, miss, start};
use crate::ball::glimpses::Look;
use crate::ball::hand::Hand;
use crate::ball::spots::{self, Spot};
use crate::ball::{BallFlight, FlightState, Settings, Sight, Unseen};
use crate::geometry::{PixelPoint, WorldPoint};
use crate::units::Seconds;

/// A spot farther than this from the flight does not belong to it, pixels of a picture 1280 wide.
const GATE_PX: f64 = 5.0;
/// A spot is looked for this far around where the flight puts it, in the ball's diameters.
const AGAIN_DIAMETERS: f64 = 1.5;
/// Rounds of taking the spots anew.
const ROUNDS: usize = 3;
/// No spot's centre is taken as better than this, pixels of a picture 1280 wide.
const LEAST_SD_PX: f64 = 0.25;
/// A spot farther off than this many usual errors is another thing.
const MOST_ERRORS: f64 = 4.0;
/// A flight that the ball's spots miss by more than this, root mean square, is none, pixels of a picture 1280 wide.
const WORST_RMS_PX: f64 = 3.0;

/// Follows the ball from the hand through both phones' pictures.
///
/// `late_s` are draws of the clock's error (how much later the right phone's pictures might be): one version of the flight
/// is made for each.
///
/// # Errors
/// [`Unseen`], with the reason.
pub fn follow(
    looks: &[Look; 2],
    hand: &Hand<'_>,
    rig: &RigDoubt,
    late_s: &[f64],
    settings: &Settings,
) -> Result<BallFlight, Unseen> {
    let search = Search {
        looks,
        sights: [looks[0].sight, looks[1].sight],
        hand,
        settings,
    };
    let chains = [0, 1].map(|phone| chains(&looks[phone], hand));
    let longest = |phone: usize| chains[phone].first().map_or(0, |c: &Chain| c.spots.len());
    let enough = |frames: [usize; 2]| frames.iter().all(|n| *n >= settings.fewest_frames);
    let too_few = |frames: [usize; 2]| Unseen::TooFewFrames {
        left: frames[0],
        right: frames[1],
        needed: settings.fewest_frames,
    };
    if !enough([longest(0), longest(1)]) {
        return Err(too_few([longest(0), longest(1)]));
    }
    let first = search.best_pair(&chains).ok_or(Unseen::NotOneFlight)?;
    let (fit, sightings, sd_px) = search.refined(&first).ok_or(Unseen::NotOneFlight)?;
    let frames = [0, 1].map(|phone| sightings.iter().filter(|s| s.phone == phone).count());
    if !enough(frames) {
        return Err(too_few(frames));
    }
    let rms_px = search.rms_px(&fit.state, &sightings);
    tracing::info!(?frames, rms_px, speed = fit.state.velocity_m_s.norm(), "ball");
    if rms_px > WORST_RMS_PX * search.scale(0).max(search.scale(1)) || !search.is_throw(&fit.state) {
        return Err(Unseen::NotOneFlight);
    }
    let ground = Ground {
        sights: &search.sights,
        sightings: &sightings,
        sd_px,
        settings,
    };
    Ok(BallFlight {
        epoch: Seconds(hand.release_s),
        state: fit.state,
        versions: versions(&ground, &fit, rig, late_s),
        frames,
        rms_px,
    })
}

struct Search<'a> {
    looks: &'a [Look; 2],
    sights: [Sight; 2],
    hand: &'a Hand<'a>,
    settings: &'a Settings,
}

impl Search<'_> {
    /// Pixels of a phone's picture for one of a picture 1280 wide.
    fn scale(&self, phone: usize) -> f64 {
        f64::from(self.sights[phone].camera.width_px) / 1280.0
    }

    fn sighting(&self, phone: usize, frame: usize, at: PixelPoint) -> Sighting {
        Sighting {
            phone,
            after_s: self.looks[phone].time_s(frame, at) - self.hand.release_s,
            at,
        }
    }

    /// Whether a flight has a throw's speed, the throw's way, and comes from the hand.
    fn is_throw(&self, state: &FlightState) -> bool {
        let (slow, fast) = self.hand.speeds_m_s();
        let speed = state.velocity_m_s.norm();
        (slow..=fast).contains(&speed)
            && state.velocity_m_s.dot(&self.hand.way) > 0.5 * speed
            && self
                .hand
                .released(|time_s| state.position_at(time_s - self.hand.release_s))
    }

    /// The flight on which the most spots of both phones lie.
    fn best_pair(&self, chains: &[Vec<Chain>; 2]) -> Option<FlightState> {
        let mut best: Option<(f64, FlightState)> = None;
        let long = |chain: &&Chain| chain.spots.len() >= self.settings.fewest_frames;
        for left in chains[0].iter().filter(long) {
            for right in chains[1].iter().filter(long) {
                let Some(state) = self.through([left, right]) else {
                    continue;
                };
                let score = self.score(&state);
                if best.as_ref().is_none_or(|(most, _)| score > *most) {
                    best = Some((score, state));
                }
            }
        }
        best.map(|(_, state)| state)
    }

    /// The flight through one chain of each phone, if it is a throw.
    fn through(&self, pair: [&Chain; 2]) -> Option<FlightState> {
        let mut sightings = Vec::new();
        for (phone, chain) in pair.into_iter().enumerate() {
            for &(frame, i) in &chain.spots {
                sightings.push(self.sighting(phone, frame, self.looks[phone].spots[frame][i].at));
            }
        }
        let guess = expected_acceleration(self.settings, self.hand.way * self.hand.speed_m_s);
        let state = start(&self.sights, &sightings, guess)?;
        if !self.is_throw(&state) {
            return None;
        }
        let sd_px = [0, 1].map(|phone| self.scale(phone));
        let fitted = fit(&self.sights, &sightings, sd_px, &state, self.settings)?.state;
        self.is_throw(&fitted).then_some(fitted)
    }

    /// How many spots of both phones lie on a flight, near ones counting more; the worse phone decides.
    fn score(&self, state: &FlightState) -> f64 {
        let of_phone = |phone: usize| -> f64 {
            let gate_px = GATE_PX * self.scale(phone);
            let look = &self.looks[phone];
            (0..look.spots.len())
                .filter_map(|frame| {
                    let spots = look.spots[frame].iter();
                    let nearest = spots
                        .filter_map(|spot| {
                            let seen = self.sighting(phone, frame, spot.at);
                            Some(miss(&self.sights[phone], state, &seen)?.0.norm())
                        })
                        .min_by(f64::total_cmp)?;
                    (nearest < gate_px).then(|| 1.0 - 0.5 * (nearest / gate_px).powi(2))
                })
                .sum()
        };
        let (left, right) = (of_phone(0), of_phone(1));
        left.min(right) + 0.1 * left.max(right)
    }

    /// The spots of every frame taken anew along the flight, and the flight fitted to them, until both settle.
    fn refined(&self, first: &FlightState) -> Option<(Fit, Vec<Sighting>, [f64; 2])> {
        let mut state = *first;
        let mut result = None;
        for _ in 0..ROUNDS {
            let mut sightings = self.along(&state);
            let mut sd_px = [0, 1].map(|phone| self.usual_error_px(&state, &sightings, phone));
            for _ in 0..2 {
                state = fit(&self.sights, &sightings, sd_px, &state, self.settings)?.state;
                sd_px = [0, 1].map(|phone| self.usual_error_px(&state, &sightings, phone));
                sightings.retain(|seen| {
                    miss(&self.sights[seen.phone], &state, seen)
                        .is_some_and(|(m, _)| m.norm() < MOST_ERRORS * sd_px[seen.phone])
                });
            }
            let fitted = fit(&self.sights, &sightings, sd_px, &state, self.settings)?;
            state = fitted.state;
            result = Some((fitted, sightings, sd_px));
        }
        result
    }

    /// The ball in every frame of both phones, where the flight says it should be.
    fn along(&self, state: &FlightState) -> Vec<Sighting> {
        let mut all = Vec::new();
        for (phone, look) in self.looks.iter().enumerate() {
            let seen = (0..look.glimpses.len()).filter_map(|frame| {
                let spot = self.spot_on(state, phone, frame)?;
                Some(self.sighting(phone, frame, spot.at))
            });
            all.extend(seen.take(self.settings.most_frames));
        }
        all
    }

    /// The ball in one frame, once it has left the fingers.
    fn spot_on(&self, state: &FlightState, phone: usize, frame: usize) -> Option<Spot> {
        let (look, sight) = (&self.looks[phone], &self.sights[phone]);
        let place = |time_s: f64| -> Option<(Vector3<f64>, PixelPoint, f64)> {
            let place_m = state.position_at(time_s - self.hand.release_s);
            let local = sight.pose.apply(WorldPoint(place_m));
            Some((place_m, sight.camera.project(local)?, local.0.z))
        };
        // The row, and so the instant, depends on where the ball then is: a fixed point, reached in a few steps.
        let middle = PixelPoint::new(
            f64::from(sight.camera.width_px) / 2.0,
            f64::from(sight.camera.height_px) / 2.0,
        );
        let mut time_s = look.time_s(frame, middle);
        for _ in 0..4 {
            time_s = look.time_s(frame, place(time_s)?.1);
        }
        let (place_m, expected, depth_m) = place(time_s)?;
        if !self.hand.is_clear_of(place_m, time_s) {
            return None;
        }
        let ball_px = super::BALL_DIAMETER_M * sight.camera.fx_px / depth_m;
        let way_px = place(time_s + 1.0 / sight.rate_hz)?.1.distance_px(expected);
        // Room for the ball smeared over a whole frame.
        let reach_px = AGAIN_DIAMETERS * ball_px + way_px;
        spots::moved(&look.glimpses, frame, Some((expected, reach_px)), spots::FAINT)
            .into_iter()
            .filter(|spot| spot.is_ball_sized(ball_px))
            .filter(|spot| spot.at.distance_px(expected) < GATE_PX.max(ball_px) * self.scale(phone))
            .max_by(|a, b| a.mass.total_cmp(&b.mass))
    }

    /// Usual error of a phone's sightings, each coordinate, from the median of their misses.
    fn usual_error_px(&self, state: &FlightState, sightings: &[Sighting], phone: usize) -> f64 {
        let mut sizes: Vec<f64> = sightings
            .iter()
            .filter(|seen| seen.phone == phone)
            .filter_map(|seen| Some(miss(&self.sights[phone], state, seen)?.0.norm()))
            .collect();
        sizes.sort_by(f64::total_cmp);
        let median = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
        // Of two normal coordinates half lie within 1.177 deviations; the fit has taken some of few misses' freedom.
        let freedom = (sizes.len() as f64 / (sizes.len() as f64 - 1.5).max(1.0)).sqrt();
        (median / 1.177 * freedom).max(LEAST_SD_PX * self.scale(phone))
    }

    fn rms_px(&self, state: &FlightState, sightings: &[Sighting]) -> f64 {
        let squares: f64 = sightings
            .iter()
            .filter_map(|seen| Some(miss(&self.sights[seen.phone], state, seen)?.0.norm_squared()))
            .sum();
        (squares / sightings.len().max(1) as f64).sqrt()
    }
}
