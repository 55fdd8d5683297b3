//! The scenario: a pitcher, a bystander, two phones that know nothing of each other's clock.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use nalgebra::{UnitQuaternion, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::demo::{DemoError, DemoRequest};
use crate::geometry::{Camera, CameraFromWorld, Phone, QuarterTurns, WorldPoint};
use crate::kinematics::Athlete;
use crate::scene::body::BodyLibrary;
use crate::scene::dress::Person;
use crate::scene::dropped::DroppedBall;
use crate::scene::film::{Actor, Scene};
use crate::scene::motion::{Delivery, Style};
use crate::scene::outfit::Outfit;
use crate::scene::phone::{FilmPhone, PhoneClock, Sensor};
use crate::scene::rig::Bone;
use crate::scene::set::Stage;
use crate::scene::walk::Walk;
use crate::skeleton::Side;

/// Bodies of the demo, by style and seed.
pub(crate) const ADULTS: [&str; 4] = [
    "man-188-athletic",
    "man-183-lean",
    "man-178-heavy",
    "woman-172-athletic",
];
pub(crate) const YOUTHS: [&str; 3] = ["youth-165-boy", "youth-152-girl", "youth-138-boy"];

/// Body mass over height squared of the demo's people, kg/m2 (common practice, no source).
const MASS_KG_M2: f64 = 23.5;

/// A clap is heard this long after the recording starts, seconds, near the mound.
pub(crate) const FIRST_CLAP_S: f64 = 0.12;
pub(crate) const CLAP_PLACE_M: [f64; 3] = [0.4, 1.3, 1.2];

/// Who is filmed, and by which phones.
pub struct Cast {
    /// How the pitcher throws.
    pub style: Style,
    /// His body's name in the library.
    pub body: &'static str,
    /// Seed of clothes, set and light.
    pub seed: u64,
    /// The two phones.
    pub phones: [FilmPhone; 2],
    /// Other people.
    pub bystanders: Vec<Bystander>,
}

/// Somebody who stands about and shifts from foot to foot, or walks by.
#[derive(Clone, Debug)]
pub struct Bystander {
    /// Body's name in the library.
    pub body: &'static str,
    /// Where on the ground at scene time 0, x and z, metres.
    pub at_m: (f64, f64),
    /// Turned about the vertical, radians; he who walks faces where he goes.
    pub turned_rad: f64,
    /// How he walks, x and z, metres per second; `None` for one who stands.
    pub walks_m_s: Option<(f64, f64)>,
    /// Seed of clothes and stance.
    pub seed: u64,
}

impl Bystander {
    /// Walks, or stands as pitchers do before and at the start of their wind-up, moving a little to and fro.
    fn actor(&self, library: &BodyLibrary, stage: &Stage) -> Result<Actor, DemoError> {
        let body = library.named(self.body)?;
        let person = Person::dressed(body, &Outfit::seeded(self.seed, None));
        if let Some(velocity_m_s) = self.walks_m_s {
            let walk = Walk::new(&body.rig, self.at_m, velocity_m_s);
            let stage = stage.clone();
            return Ok(Actor {
                person,
                posture_at: Arc::new(move |t| {
                    let (x, z) = walk.place_m(t);
                    walk.posture_at(t, f64::from(stage.ground_m(x as f32, z as f32)))
                }),
            });
        }
        let stance = Delivery::new(&Style::default().with_seed(self.seed), &body.rig);
        let turn = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), self.turned_rad);
        let ground_m = f64::from(stage.ground_m(self.at_m.0 as f32, self.at_m.1 as f32));
        let place = Vector3::new(self.at_m.0, ground_m, self.at_m.1);
        let phase = self.seed as f64;
        Ok(Actor {
            person,
            posture_at: Arc::new(move |t| {
                let mut posture = stance.posture_at(0.4 + 0.12 * (1.3 * t + phase).sin());
                posture.pelvis_m = turn * posture.pelvis_m + place;
                posture.turns[Bone::Pelvis as usize] = turn * posture.turns[Bone::Pelvis as usize];
                posture
            }),
        })
    }
}

/// The scenario, ready to film.
pub struct Studio {
    /// What is filmed.
    pub scene: Scene,
    /// The pitcher's motion.
    pub delivery: Delivery,
    /// The two phones, pitching.
    pub phones: [FilmPhone; 2],
    seed: u64,
    /// How long before the delivery's own time the phones run, seconds.
    lead_s: f64,
}

impl Studio {
    /// Sets the scene.
    ///
    /// # Errors
    /// For an unknown style, or when the bodies are missing.
    pub fn new(request: &DemoRequest) -> Result<Self, DemoError> {
        let mut random = ChaCha8Rng::seed_from_u64(request.seed);
        let style = Style::named(&request.style)?
            .throwing(request.throws)
            .with_seed(request.seed);
        let names: &[&str] = if request.style == "youth" {
            &YOUTHS
        } else {
            &ADULTS
        };
        let phones = [Phone::Left, Phone::Right].map(|phone| film_phone(phone, request, &mut random));
        let [Some(left), Some(right)] = phones else {
            return Err(DemoError::NoTruth {
                what: "place for a phone",
            });
        };
        Self::of(Cast {
            style,
            body: names[request.seed.wrapping_sub(1) as usize % names.len()],
            seed: request.seed,
            phones: [left, right],
            bystanders: Vec::new(),
        })
    }

    /// Sets the scene with this cast.
    ///
    /// # Errors
    /// When the bodies are missing.
    pub fn of(cast: Cast) -> Result<Self, DemoError> {
        let library = BodyLibrary::open(&bodies_file())?;
        let body = library.named(cast.body)?;
        let outfit = Outfit::seeded(cast.seed, Some(cast.style.throws.other()));
        let delivery = Delivery::new(&cast.style, &body.rig);
        let moving = Arc::new(delivery.clone());
        let ball = Arc::clone(&moving);
        let stage = Stage::seeded(cast.seed);
        let mut actors = vec![Actor {
            person: Person::dressed(body, &outfit),
            posture_at: Arc::new(move |t| moving.posture_at(t)),
        }];
        for bystander in &cast.bystanders {
            actors.push(bystander.actor(&library, &stage)?);
        }
        Ok(Self {
            scene: Scene {
                stage,
                actors,
                ball_at: Some(Arc::new(move |t| ball.ball_at(t))),
            },
            delivery,
            phones: cast.phones,
            seed: cast.seed,
            lead_s: 0.0,
        })
    }

    /// The same with the phones started `lead_s` earlier and a ball dropped meanwhile: until its last drop has ended, that
    /// is the ball in the scene, and from scene time 0 on the pitcher's. The delivery's own time does not change.
    #[must_use]
    pub fn with_dropped_ball(mut self, dropped: DroppedBall, lead_s: f64) -> Self {
        let pitched = self.scene.ball_at.take();
        self.scene.ball_at = Some(Arc::new(move |t| {
            if t < 0.0 {
                Some(dropped.at(t))
            } else {
                pitched.as_ref().and_then(|ball| ball(t))
            }
        }));
        self.lead_s += lead_s;
        for phone in &mut self.phones {
            phone.clock.offset_s -= lead_s;
        }
        self
    }

    /// Seed of all that is random.
    #[must_use]
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// The pitcher, as his coach knows him.
    #[must_use]
    pub fn athlete(&self) -> Athlete {
        let height_m = self.delivery.rig().height_m;
        Athlete {
            height_m: Some((height_m * 1000.0).round() / 1000.0),
            mass_kg: Some((MASS_KG_M2 * height_m * height_m).round()),
            throws: Some(self.delivery.throws()),
            ..Athlete::default()
        }
    }

    /// Length of the recording, seconds.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.lead_s + self.delivery.phases().end_s
    }

    /// A phone during the board recording: the same lens and place, 30 frames a second, a clock started anew.
    #[must_use]
    pub fn board_phone(&self, phone: Phone) -> FilmPhone {
        let pitching = &self.phones[phone as usize];
        FilmPhone {
            rate_hz: 30.0,
            seed: pitching.seed.wrapping_add(100),
            ..pitching.clone()
        }
    }

    /// True clock offset (left time = right time + offset) at a scene time, seconds.
    #[must_use]
    pub fn clock_offset_s(&self, scene_time_s: f64) -> f64 {
        self.phones[0].clock.pts_s(scene_time_s) - self.phones[1].clock.pts_s(scene_time_s)
    }
}

/// One phone: 720p on the left, 1080p on the right, on the side the pitcher's chest faces.
fn film_phone(phone: Phone, request: &DemoRequest, random: &mut ChaCha8Rng) -> Option<FilmPhone> {
    // A right-hander's chest faces +z at the balance point; seen from there, +x lies on the right.
    let side = if request.throws == Side::Right { 1.0 } else { -1.0 };
    let across = if phone == Phone::Left { -side } else { side };
    let mut about = |centre: f64, spread: f64| centre + spread * random.random_range(-1.0..1.0);
    let eye = Vector3::new(
        about(4.2, 0.3) * across + 0.5,
        about(1.3, 0.06),
        about(4.9, 0.3) * side,
    );
    let at = Vector3::new(about(0.55, 0.08), about(0.98, 0.04), 0.0);
    let width_px = if phone == Phone::Left { 1280 } else { 1920 };
    let camera = drawn_lens(
        width_px,
        (1010.0, 25.0),
        [(0.09, 0.03), (-0.2, 0.05), (0.07, 0.02)],
        &mut about,
    );
    let (clock, readout_s, exposure_s) = match phone {
        Phone::Left => (PhoneClock::default(), about(0.0034, 0.0004), about(0.001, 0.0002)),
        Phone::Right => (
            PhoneClock {
                offset_s: about(0.031, 0.02),
                drift_ppm: about(0.0, 20.0),
            },
            about(0.0037, 0.0004),
            about(0.0009, 0.0002),
        ),
    };
    let sensor = Sensor {
        gain: about(0.85, 0.06) as f32,
        ..Sensor::daylight()
    };
    Some(FilmPhone {
        camera,
        pose: CameraFromWorld::looking_at(WorldPoint(eye), WorldPoint(at))?,
        rate_hz: 240.0,
        first_pts_s: 0.0,
        readout_s,
        exposure_s,
        turns: QuarterTurns::Zero,
        clock,
        sensor,
        seed: request.seed.wrapping_mul(10).wrapping_add(phone as u64),
    })
}

/// A phone's lens, `width_px` wide at 16 : 9, drawn by `about(centre, spread)`: focal length of a picture 1280 wide, then the
/// radial coefficients k1, k2, k3, each as centre and spread; centre and tangential ones as phones usually have them.
pub(crate) fn drawn_lens(
    width_px: u32,
    focal_px: (f64, f64),
    radial: [(f64, f64); 3],
    about: &mut impl FnMut(f64, f64) -> f64,
) -> Camera {
    let scale = f64::from(width_px) / 1280.0;
    let focal_px = about(focal_px.0, focal_px.1) * scale;
    let [k1, k2, k3] = radial;
    Camera {
        width_px,
        height_px: width_px * 9 / 16,
        fx_px: focal_px,
        fy_px: focal_px * about(1.0, 0.0015),
        cx_px: about(639.5, 9.0) * scale,
        cy_px: about(359.5, 7.0) * scale,
        distortion: [k1, k2, (0.0, 0.0008), (0.0, 0.0008), k3].map(|(centre, spread)| about(centre, spread)),
    }
}

/// The packed bodies: the file that TWINMOUND_BODIES names, else `.setup/bodies.bin` of the project.
fn bodies_file() -> PathBuf {
    const FILE: &str = ".setup/bodies.bin";
    if let Some(named) = std::env::var_os("TWINMOUND_BODIES") {
        return PathBuf::from(named);
    }
    let here = PathBuf::from(FILE);
    if here.exists() {
        return here;
    }
    Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE)
}
