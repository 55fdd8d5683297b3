//! Numbered scenarios: the same number is the same delivery, set, light and phones, whenever it is filmed.

use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use crate::demo::studio::{ADULTS, YOUTHS, drawn_lens};
use crate::demo::{Bystander, Cast, DemoError, Studio};
use crate::geometry::{CameraFromWorld, QuarterTurns, WorldPoint};
use crate::scene::motion::{Level, Style};
use crate::scene::phone::{FilmPhone, PhoneClock, Sensor};
use crate::skeleton::Side;

/// Angles between the two lines of sight at the mound, degrees: each pair of phones stands at one within its stretch.
const ANGLES_DEG: [(f64, f64); 4] = [(60.0, 80.0), (80.0, 100.0), (45.0, 60.0), (100.0, 120.0)];
/// Share of deliveries by young pitchers.
const YOUNG: f64 = 0.35;
/// Natural variation adds up to 8 % to this, so that phases vary by 15 %.
const PHASE_FACTOR: f64 = 0.065;
/// The pitcher's middle over the stride, metres.
const LOOKED_AT_M: [f64; 3] = [0.55, 0.98, 0.0];
const SEED: u64 = 0x00AC_C0AC;

/// One delivery to film, in words and numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scenario {
    /// Its number, from 0.
    pub number: usize,
    /// Throwing hand.
    pub throws: Side,
    /// Named style.
    pub style: String,
    /// How strong the style's fault is, 0 to 1.
    pub strength: f64,
    /// Body.
    pub body: String,
    /// First movement to knee lift, seconds.
    pub windup_s: f64,
    /// Factor on the time from knee lift to contact.
    pub stride_time: f64,
    /// Factor on the time from contact to release.
    pub drive_time: f64,
    /// Exposure of each phone, seconds.
    pub exposure_s: [f64; 2],
    /// Factor on the light.
    pub gain: f64,
    /// Other people in the picture.
    pub bystanders: usize,
    /// Number of the pair of phones.
    pub rig: usize,
    /// Angle between the lines of sight, degrees.
    pub angle_deg: f64,
}

impl Scenario {
    /// The scenario of this number.
    #[must_use]
    pub fn numbered(number: usize) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(SEED ^ (number as u64 * 977));
        let throws = if number.is_multiple_of(2) {
            Side::Right
        } else {
            Side::Left
        };
        let young = random.random_bool(YOUNG);
        let bodies: &[&str] = if young { &YOUTHS } else { &ADULTS };
        // Wind-ups are the scenario's own.
        let styles: Vec<&str> = Style::names().filter(|s| !s.contains("windup")).collect();
        let rig = (number / 2) % ANGLES_DEG.len() * 2 + usize::from(throws == Side::Left);
        let mut exposure_s = || 1.0 / random.random_range(240.0_f64.ln()..2000.0_f64.ln()).exp();
        // Both phones choose alike in the same light, but not the same.
        let (first, ratio) = (exposure_s(), random.random_range(0.8..1.25_f64));
        Self {
            number,
            throws,
            style: styles[random.random_range(0..styles.len())].to_owned(),
            strength: random.random_range(0.3..1.0),
            body: bodies[random.random_range(0..bodies.len())].to_owned(),
            windup_s: random.random_range(0.6..2.5),
            stride_time: 1.0 + random.random_range(-PHASE_FACTOR..PHASE_FACTOR),
            drive_time: 1.0 + random.random_range(-PHASE_FACTOR..PHASE_FACTOR),
            exposure_s: [first, (first * ratio).clamp(1.0 / 2000.0, 1.0 / 240.0)],
            gain: random.random_range(0.55..1.2),
            bystanders: random.random_range(0..3),
            rig,
            angle_deg: angle_deg(rig),
        }
    }

    /// The scene, ready to film.
    ///
    /// # Errors
    /// When the bodies are missing.
    pub(crate) fn studio(&self) -> Result<Studio, DemoError> {
        let mut random = ChaCha8Rng::seed_from_u64(SEED ^ 0x57D1 ^ (self.number as u64 * 131));
        let name = |all: &[&'static str]| all.iter().copied().find(|n| *n == self.body);
        let (body, level) = match name(&YOUTHS) {
            Some(body) => (body, Level::Youth),
            None => (name(&ADULTS).unwrap_or(ADULTS[0]), Level::Adult),
        };
        let seed = 1000 + self.number as u64;
        let style = Style {
            windup_s: self.windup_s,
            stride_time: self.stride_time,
            drive_time: self.drive_time,
            level,
            ..Style::named(&self.style)?
                .with_strength(self.strength)
                .throwing(self.throws)
                .with_seed(seed)
        };
        let mut phones = rig_phones(self.rig)?;
        phones[1].clock = PhoneClock {
            offset_s: random.random_range(-0.08..0.08),
            drift_ppm: random.random_range(-20.0..20.0),
        };
        for (phone, exposure_s) in phones.iter_mut().zip(self.exposure_s) {
            phone.exposure_s = exposure_s;
            phone.sensor.gain *= self.gain as f32;
            phone.seed = phone.seed.wrapping_add(seed);
        }
        let side = side_of(self.rig);
        let bystanders = (0..self.bystanders)
            .map(|i| Bystander {
                body: ADULTS[random.random_range(0..ADULTS.len())],
                // Behind the mound as the phones see it.
                at_m: (
                    random.random_range(-3.0..3.5),
                    -side * random.random_range(2.2..6.0),
                ),
                turned_rad: random.random_range(0.0..std::f64::consts::TAU),
                walks_m_s: None,
                seed: seed * 10 + i as u64,
            })
            .collect();
        Studio::of(Cast {
            style,
            body,
            seed,
            phones,
            bystanders,
        })
    }
}

/// The phones of a rig as they film the board, before an empty set.
pub(crate) fn board_studio(rig: usize) -> Result<Studio, DemoError> {
    Studio::of(Cast {
        style: Style::default(),
        body: ADULTS[0],
        seed: 500 + rig as u64,
        phones: rig_phones(rig)?,
        bystanders: Vec::new(),
    })
}

/// Right-handers' rigs stand on the side +z that their chests face, left-handers' on the other.
fn side_of(rig: usize) -> f64 {
    if rig.is_multiple_of(2) { 1.0 } else { -1.0 }
}

fn rig_random(rig: usize) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(SEED ^ 0x0019_0000 ^ rig as u64)
}

fn angle_deg(rig: usize) -> f64 {
    let (from, to) = ANGLES_DEG[rig / 2 % ANGLES_DEG.len()];
    rig_random(rig).random_range(from..to)
}

/// Two phones on tripods, LEFT and RIGHT as seen from where they stand.
fn rig_phones(rig: usize) -> Result<[FilmPhone; 2], DemoError> {
    let mut random = rig_random(rig);
    // The angle is the first draw, as in `angle_deg`.
    let (from, to) = ANGLES_DEG[rig / 2 % ANGLES_DEG.len()];
    let half = random.random_range(from..to).to_radians() / 2.0;
    let turned = random.random_range(-8.0..8.0_f64).to_radians();
    let side = side_of(rig);
    let mut phones = Vec::with_capacity(2);
    for i in 0..2 {
        let mut about = |centre: f64, spread: f64| centre + spread * random.random_range(-1.0..1.0);
        let along = if i == 0 { -half } else { half } + turned;
        let distance_m = about(6.1, 0.7);
        // Seen from +z looking at the mound, +x lies on the right; from -z on the left.
        let eye = Vector3::new(
            LOOKED_AT_M[0] + distance_m * along.sin() * side,
            about(1.3, 0.12),
            distance_m * along.cos() * side,
        );
        let at = Vector3::from(LOOKED_AT_M) + Vector3::new(about(0.0, 0.08), about(0.0, 0.05), 0.0);
        let width_px = if about(0.0, 1.0) < 0.0 { 1280 } else { 1920 };
        let camera = drawn_lens(
            width_px,
            (1000.0, 45.0),
            [(0.08, 0.04), (-0.18, 0.06), (0.06, 0.02)],
            &mut about,
        );
        let pose =
            CameraFromWorld::looking_at(WorldPoint(eye), WorldPoint(at)).ok_or(DemoError::NoTruth {
                what: "place for a phone",
            })?;
        phones.push(FilmPhone {
            camera,
            pose,
            rate_hz: 240.0,
            first_pts_s: 0.0,
            readout_s: about(0.0036, 0.0009),
            exposure_s: 0.001,
            turns: QuarterTurns::Zero,
            clock: PhoneClock::default(),
            sensor: Sensor {
                gain: about(0.85, 0.06) as f32,
                ..Sensor::daylight()
            },
            seed: 7_000 + rig as u64 * 10 + i,
        });
    }
    // The board was filmed with clocks that know nothing of each other, too.
    phones[1].clock.offset_s = random.random_range(-0.05..0.05);
    <[FilmPhone; 2]>::try_from(phones).map_err(|_| DemoError::NoTruth {
        what: "pair of phones",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forty_scenarios_span_what_they_promise() {
        let all: Vec<_> = (0..40).map(Scenario::numbered).collect();
        let spread = |f: &dyn Fn(&Scenario) -> f64| {
            let values = all.iter().map(f);
            (
                values.clone().fold(f64::MAX, f64::min),
                values.fold(f64::MIN, f64::max),
            )
        };
        let (short, long) = spread(&|s| s.windup_s);
        assert!(short < 0.9 && long > 2.2 && short >= 0.6 && long <= 2.5);
        let (narrow, wide) = spread(&|s| s.angle_deg);
        assert!((45.0..60.0).contains(&narrow) && (100.0..=120.0).contains(&wide));
        let (quick, slow) = spread(&|s| s.exposure_s[0]);
        assert!(quick < 1.0 / 1500.0 && slow > 1.0 / 320.0, "{quick} {slow}");
        for side in [Side::Left, Side::Right] {
            assert_eq!(all.iter().filter(|s| s.throws == side).count(), 20);
        }
        assert!(all.iter().any(|s| YOUTHS.contains(&s.body.as_str())));
        assert!(all.iter().any(|s| s.bystanders == 0) && all.iter().any(|s| s.bystanders == 2));
        assert_eq!(Scenario::numbered(7), all[7]);
    }

    #[test]
    fn phones_stand_where_the_scenario_says_left_to_the_left() {
        for rig in 0..2 * ANGLES_DEG.len() {
            let phones = rig_phones(rig).unwrap();
            let eyes = phones.each_ref().map(|p| p.pose.centre().0);
            let from_mound = eyes.map(|e| {
                let mut off = e - Vector3::from(LOOKED_AT_M);
                off.y = 0.0;
                off
            });
            let angle_deg_seen = from_mound[0].angle(&from_mound[1]).to_degrees();
            assert!((angle_deg_seen - angle_deg(rig)).abs() < 0.1);
            // In LEFT's picture RIGHT stands on the right.
            let right = phones[0].pose.apply(WorldPoint(eyes[1])).0;
            assert!(right.x > 0.0, "rig {rig}: {right}");
        }
    }
}
