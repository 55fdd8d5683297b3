//! Standard deviations against noise of independent making.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, StandardNormal};
use twinmound::kinematics::{Caution, EventName, Options, measure};
use twinmound::quality::Status;
use twinmound::trajectory::Trajectory;

use super::motions::{Delivery, right_hander, with_sd};

/// Smooth noise as a sum of cosines whose frequencies are drawn from the spectrum of the Matern-5/2 covariance (a
/// Student distribution with five degrees of freedom); exponential time constant 0.05 s.
fn noisy(original: &Trajectory, sd_m: f64, rng: &mut ChaCha8Rng) -> Trajectory {
    let rate = 8.0 / (3.0 * 0.05);
    let waves = 40;
    let mut drawn = original.clone();
    for states in &mut drawn.joints.0 {
        for axis in 0..3 {
            let parts: Vec<(f64, f64)> = (0..waves)
                .map(|_| {
                    let normal: f64 = rng.sample(StandardNormal);
                    let chi: f64 = rng.sample(ChiSquared::new(5.0).unwrap());
                    let omega = rate * normal / chi.sqrt();
                    (omega, rng.random_range(0.0..std::f64::consts::TAU))
                })
                .collect();
            let size = sd_m * (2.0 / f64::from(waves)).sqrt();
            for (state, time) in states.iter_mut().zip(&original.times) {
                let Some(state) = state else { continue };
                for (omega, phase) in &parts {
                    let (sin, cos) = (omega * time.0 + phase).sin_cos();
                    state.position_m[axis] += size * cos;
                    state.velocity_m_s[axis] -= size * omega * sin;
                    state.acceleration_m_s2[axis] -= size * omega * omega * cos;
                }
            }
        }
    }
    drawn
}

/// A metric moves by about its standard deviation when its input is perturbed by its own.
#[test]
fn metrics_move_by_their_standard_deviation() {
    let sd_m = 0.004;
    let trajectory = with_sd(Delivery::load().trajectory(), sd_m);
    let measures = measure(&trajectory, &right_hander(), &Options::default());
    let quick = Options::without_doubt();
    let repetitions = 40;
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let moved: Vec<_> = (0..repetitions)
        .map(|_| measure(&noisy(&trajectory, sd_m, &mut rng), &right_hander(), &quick))
        .collect();
    let (mut checked, mut moves, mut far) = (0, 0, 0);
    for metric in &measures.metrics {
        let (Some(value), Some(sd)) = (metric.value, metric.sd) else {
            continue;
        };
        // Noise in the release found from the hand is drawn besides; here only the joints move.
        if metric.status != Status::Measured || metric.event == Some(EventName::BallRelease) {
            continue;
        }
        let ratios: Vec<f64> = moved
            .iter()
            .filter_map(|m| m.metric(metric.id).unwrap().value)
            .map(|v| (v - value) / sd)
            .collect();
        let rms = (ratios.iter().map(|r| r * r).sum::<f64>() / ratios.len() as f64).sqrt();
        assert!(
            (0.4..2.0).contains(&rms),
            "{}: moves by {rms:.2} of its sd {sd:.3}",
            metric.id
        );
        moves += ratios.len();
        far += ratios.iter().filter(|r| r.abs() > 3.0).count();
        checked += 1;
    }
    assert!(checked > 35, "only {checked} metrics were checked");
    assert!(far * 50 < moves, "{far} of {moves} moves were over 3 sd");
    for (event, found) in measures.events.iter() {
        let found = found.as_ref().unwrap();
        let sd = found.sd_s.unwrap().0;
        let far = moved
            .iter()
            .filter(|m| (m.events[event].as_ref().unwrap().time_s - found.time_s).0.abs() > 3.0 * sd)
            .count();
        assert!(far <= 3, "{event}: {far} of {repetitions} over 3 sd of {sd:.4} s");
    }
}

/// The made-up delivery's lead knee hardly extends: what the peak shows is noise, and that is said.
#[test]
fn a_peak_that_noise_makes_is_doubtful() {
    let trajectory = with_sd(Delivery::load().trajectory(), 0.005);
    let measures = measure(&trajectory, &right_hander(), &Options::default());
    let knee = measures.metric("peak_lead_knee_extension_speed_deg_s").unwrap();
    assert_eq!(knee.status, Status::Doubtful);
    assert!(
        knee.reason.as_ref().unwrap().contains("push it one way"),
        "{:?}",
        knee.reason
    );
    let hand = measures.metric("peak_hand_speed_m_s").unwrap();
    assert_eq!(hand.status, Status::Measured);
}

/// The noise of the joints adds energy; the expected part is taken off again.
#[test]
fn expected_noise_energy_is_subtracted() {
    let sd_m = 0.004;
    let truth = Delivery::load().trajectory();
    let quick = Options::without_doubt();
    let mean = |trajectories: &[Trajectory], id: &str| {
        let values = trajectories.iter().map(|t| {
            let measures = measure(t, &right_hander(), &quick);
            let curve = measures.curves.into_iter().find(|c| c.id == id).unwrap();
            // The first third of a second, in which the body hardly moves.
            curve.values.iter().take(80).map(|v| v.unwrap()).sum::<f64>() / 80.0
        });
        values.sum::<f64>() / trajectories.len() as f64
    };
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let unmarked: Vec<Trajectory> = (0..12).map(|_| noisy(&truth, sd_m, &mut rng)).collect();
    let marked: Vec<Trajectory> = unmarked.iter().map(|t| with_sd(t.clone(), sd_m)).collect();
    for id in ["trunk_kinetic_energy_j_kg", "lower_body_kinetic_energy_j_kg"] {
        let expected = mean(std::slice::from_ref(&truth), id);
        let (raw, corrected) = (mean(&unmarked, id) - expected, mean(&marked, id) - expected);
        assert!(
            raw > 0.0 && corrected.abs() < 0.5 * raw,
            "{id}: {raw} raw, {corrected} corrected"
        );
    }
}

#[test]
fn tilt_of_the_world_moves_tilts_and_leaves_joint_angles() {
    let trajectory = Delivery::load().trajectory();
    let mut options = Options {
        tilt_sd_deg: 1.0,
        yaw_sd_deg: 1.0,
        draws: 200,
        ..Options::default()
    };
    // Fixed events, or the doubt of release moves everything.
    options.events = Some(super::motions::events_at(Delivery::load().events()));
    let measures = measure(&trajectory, &right_hander(), &options);
    let sd = |id: &str| measures.metric(id).unwrap().sd.unwrap();
    assert!((sd("trunk_forward_tilt_at_foot_contact_deg") - 1.0).abs() < 0.25);
    assert!((sd("pelvis_rotation_at_foot_contact_deg") - 1.0).abs() < 0.25);
    assert!(sd("elbow_flexion_at_foot_contact_deg") < 1e-9);
    assert!(sd("peak_hand_speed_m_s") < 1e-9);
}

#[test]
fn the_same_seed_gives_the_same_doubt_and_wide_doubt_is_said() {
    let trajectory = with_sd(Delivery::load().trajectory(), 0.03);
    let options = Options {
        draws: 60,
        ..Options::default()
    };
    let measures = measure(&trajectory, &right_hander(), &options);
    assert_eq!(measures, measure(&trajectory, &right_hander(), &options));
    let wide = measures
        .metrics
        .iter()
        .filter(|m| m.status == Status::Doubtful)
        .count();
    assert!(wide > 5, "30 mm of noise leaves {wide} doubtful");
    let shown = Caution::Wide {
        sd: 13.0,
        bound: 12.0,
        unit: "°",
    }
    .to_string();
    assert!(shown.contains("13.0 °") && shown.contains("12.0 °"), "{shown}");
}

/// The time a measurement takes is printed, not judged: machines differ.
#[test]
fn a_hundred_draws_of_three_seconds_are_timed() {
    let delivery = Delivery::load();
    let trajectory = super::motions::sampled(super::motions::at_240_hz(720), |joint, t| {
        delivery.path(joint, t - 1.3)
    });
    let trajectory = with_sd(trajectory, 0.005);
    let start = std::time::Instant::now();
    let measures = measure(&trajectory, &right_hander(), &Options::default());
    println!(
        "100 draws of a 3 s recording: {:.2} s",
        start.elapsed().as_secs_f64()
    );
    assert!(measures.metrics.iter().any(|m| m.sd.is_some()));
}
