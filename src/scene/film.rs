//! Filming a delivery: moving people and a ball before a still set, through one phone.

use std::sync::Arc;

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::geometry::{PixelPoint, WorldPoint};
use crate::picture::Picture;
use crate::scene::develop::{Developer, Exposed, LightField, even_bounds};
use crate::scene::dress::Person;
use crate::scene::garment::{Shape, sphere};
use crate::scene::material::{Colour, Material};
use crate::scene::moving::{BoundsPx, Moving, NODES, Nodes};
use crate::scene::phone::{FilmPhone, PixelRays, Projector};
use crate::scene::raster::{Pattern, Tile, aperture_px, samples};
use crate::scene::rig::Posture;
use crate::scene::set::Stage;
use crate::scene::shadow::{GroundShadow, SunMap};

/// Radius of the ball, metres (73 mm in diameter).
pub const BALL_RADIUS_M: f64 = 0.0365;
/// A frame in which nothing moves further than this during the exposure is taken with fewer samples, pixels.
const STILL_BLUR_PX: f32 = 0.5;
/// A mesh with fewer vertices is cheap enough for the finest pattern.
const SMALL_MESH: usize = 1000;
/// Margin around joints within which all of a body is, metres.
const BODY_MARGIN_M: f64 = 0.25;
/// The ball's leather.
const BALL_PALETTE: [Material; 1] = [Material::Plain([0.90, 0.89, 0.86])];
/// Rings and sectors of the ball's surface.
const BALL_MESH: (u32, u32) = (16, 24);

/// Where a body is at a scene time in seconds.
pub type PostureAt = Arc<dyn Fn(f64) -> Posture + Send + Sync>;
/// Where the ball's centre is at a scene time in seconds, world metres; `None` while there is no ball.
pub type BallAt = Arc<dyn Fn(f64) -> Option<Vector3<f64>> + Send + Sync>;

/// A person who moves.
#[derive(Clone)]
pub struct Actor {
    /// The dressed body.
    pub person: Person,
    /// Its motion.
    pub posture_at: PostureAt,
}

/// All there is to film.
#[derive(Clone)]
pub struct Scene {
    /// The still set.
    pub stage: Stage,
    /// The athlete, perhaps others.
    pub actors: Vec<Actor>,
    /// The ball.
    pub ball_at: Option<BallAt>,
}

/// One phone's film of a scene.
pub struct DeliveryFilm<'a> {
    scene: &'a Scene,
    phone: &'a FilmPhone,
    developer: Developer,
    projector: Projector,
    backdrop: LightField,
    base: Exposed,
    ball: Shape,
    ball_materials: Vec<u8>,
}

/// Frames in order, made on all cores a batch at a time.
pub(crate) fn in_batches<'f>(
    range: std::ops::Range<usize>,
    picture: impl Fn(usize) -> Picture + Sync + 'f,
) -> impl Iterator<Item = Picture> + 'f {
    let batch = 2 * rayon::current_num_threads();
    let end = range.end;
    range.step_by(batch).flat_map(move |first| {
        (first..(first + batch).min(end))
            .into_par_iter()
            .map(&picture)
            .collect::<Vec<_>>()
    })
}

/// Light of the still set in every pixel of a phone's picture.
pub(crate) fn backdrop(stage: &Stage, phone: &FilmPhone) -> LightField {
    const SHARES: [(f32, f32); 4] = [(0.375, 0.125), (0.875, 0.375), (0.125, 0.625), (0.625, 0.875)];
    let places = SHARES.map(|(x, y)| (f64::from(aperture_px(x)), f64::from(aperture_px(y))));
    let eye = phone.eye();
    let rays = PixelRays::of(&phone.camera);
    let to_world: nalgebra::Matrix3<f32> = phone.pose.0.rotation.inverse().into_inner().cast();
    LightField::from_fn(
        phone.camera.width_px as usize,
        phone.camera.height_px as usize,
        |x, y| {
            let mut sum = [0.0; 3];
            for (dx, dy) in places {
                let (nx, ny) = rays.at(x, y, dx, dy);
                let ray = (to_world * Vector3::new(nx as f32, ny as f32, 1.0)).normalize();
                for (s, l) in sum.iter_mut().zip(stage.radiance(eye, ray)) {
                    *s += l / places.len() as f32;
                }
            }
            sum
        },
    )
}

impl<'a> DeliveryFilm<'a> {
    /// Sets up: renders the still background once.
    #[must_use]
    pub fn new(scene: &'a Scene, phone: &'a FilmPhone) -> Self {
        let developer = Developer::new(phone);
        let backdrop = backdrop(&scene.stage, phone);
        let base = developer.expose(&backdrop);
        let ball = sphere(BALL_MESH.0, BALL_MESH.1);
        Self {
            scene,
            phone,
            developer,
            projector: phone.projector(),
            backdrop,
            base,
            ball_materials: vec![0; ball.triangles.len()],
            ball,
        }
    }

    /// Frames of `range` in order, made on all cores a batch at a time, so that memory stays flat.
    pub fn pictures(&self, range: std::ops::Range<usize>) -> impl Iterator<Item = Picture> + '_ {
        in_batches(range, |frame| self.picture(frame))
    }

    /// The picture of one frame.
    #[must_use]
    pub fn picture(&self, frame: usize) -> Picture {
        let moving = self.moving(frame);
        if moving.is_empty() {
            return self.developer.picture(&self.base, &[], frame);
        }
        let size = (self.backdrop.width, self.backdrop.height);
        let shadow = GroundShadow::of(&self.scene.stage, &self.projector, &moving, size);
        let shade = self.scene.stage.shade();
        let tiles = self.tiles(frame, &moving);
        let mut regions = vec![shadow.bounds];
        regions.extend(tiles.iter().map(|(tile, _)| tile.bounds));
        let patches: Vec<Exposed> = joined(regions)
            .into_iter()
            .map(|region| {
                let bounds = even_bounds(region, size);
                self.developer.expose_patch(&self.base, bounds, |x, y| {
                    let dark = shadow.at(x, y);
                    if dark == 0.0 && !tiles.iter().any(|(tile, _)| tile.covers(x, y)) {
                        return None;
                    }
                    let ground = self.backdrop.light[y * size.0 + x];
                    let behind: Colour = std::array::from_fn(|c| ground[c] * (1.0 - dark * (1.0 - shade[c])));
                    Some(
                        tiles
                            .iter()
                            .fold(behind, |light, (tile, count)| tile.over(light, x, y, *count)),
                    )
                })
            })
            .collect();
        self.developer.picture(&self.base, &patches, frame)
    }

    /// Share of each pixel, 0..=1, that moving things cover in a frame, exposure and shutter as in the picture; row by
    /// row. Exact where the picture is rounded, noisy and bent by the tone curve.
    #[must_use]
    pub fn coverage(&self, frame: usize) -> Vec<f32> {
        let width = self.backdrop.width;
        let mut open = vec![1.0_f32; width * self.backdrop.height];
        for (tile, count) in self.tiles(frame, &self.moving(frame)) {
            let b = tile.bounds;
            for y in b.top..b.bottom {
                for x in b.left..b.right {
                    let (x, y) = (x as usize, y as usize);
                    open[y * width + x] *= 1.0 - tile.cover(x, y, count);
                }
            }
        }
        open.iter().map(|o| 1.0 - o).collect()
    }

    /// Everything that moves and is in view, placed and lit.
    fn moving(&self, frame: usize) -> Vec<Moving<'_>> {
        let mut all: Vec<Moving<'_>> = self
            .scene
            .actors
            .iter()
            .filter_map(|actor| self.moving_person(frame, actor))
            .collect();
        all.extend(self.moving_ball(frame));
        let sun = SunMap::of(&self.scene.stage, &all);
        for thing in &mut all {
            thing.light = thing
                .world_m
                .iter()
                .zip(&thing.normals)
                .map(|(p, n)| self.scene.stage.light(*n, sun.at(*p)))
                .collect();
        }
        all
    }

    /// Shares of the readout that points with a margin around them touch; `None` when all are out of the picture.
    fn shares(&self, points: &[Vector3<f64>], margin_m: f64) -> Option<(f64, f64)> {
        let shutter = self.phone.shutter();
        let (width, height) = (self.backdrop.width as f64, self.backdrop.height as f64);
        let (mut low, mut high, mut in_view) = (f64::MAX, f64::MIN, false);
        for p in points {
            let seen = self.phone.pose.apply(WorldPoint(*p));
            let Some(pixel) = self.phone.camera.project(seen) else {
                continue;
            };
            let margin_px = margin_m * self.phone.camera.fx_px / seen.0.z;
            in_view |= pixel.x_px > -margin_px
                && pixel.y_px > -margin_px
                && pixel.x_px < width + margin_px
                && pixel.y_px < height + margin_px;
            for d in [-margin_px, margin_px] {
                let share = shutter.row_share(PixelPoint::new(pixel.x_px + d, pixel.y_px + d));
                low = low.min(share);
                high = high.max(share);
            }
        }
        in_view.then_some((low.clamp(0.0, 1.0), high.clamp(0.0, 1.0)))
    }

    fn middle_s(&self, frame: usize) -> f64 {
        let middle = self.phone.frame_pts_s(frame) + self.phone.shutter().middle_delay().0;
        self.phone.clock.scene_time_s(middle)
    }

    fn moving_person<'s>(&'s self, frame: usize, actor: &'s Actor) -> Option<Moving<'s>> {
        let rig = &actor.person.rig;
        let surface = &actor.person.surface;
        let joints = rig.joints(&rig.pose(&(actor.posture_at)(self.middle_s(frame))));
        let nodes = Nodes::of(self.phone, frame, self.shares(&joints.0, BODY_MARGIN_M)?);
        let postures: [Posture; NODES] = std::array::from_fn(|node| (actor.posture_at)(nodes.at_s(node)));
        let worlds = postures.each_ref().map(|posture| surface.place(rig, posture));
        let pixels = worlds
            .each_ref()
            .map(|world| world.iter().map(|v| self.projector.project(*v)).collect());
        let [_, world_m, ..] = worlds;
        Some(Moving {
            nodes,
            pixels,
            world_m,
            normals: surface.place_normals(rig, &postures[1]),
            triangles: &surface.triangles,
            materials: &surface.materials,
            palette: &surface.palette,
            rest_m: &surface.rest_m,
            light: Vec::new(),
        })
    }

    fn moving_ball(&self, frame: usize) -> Option<Moving<'_>> {
        let ball_at = self.scene.ball_at.as_ref()?;
        let middle = ball_at(self.middle_s(frame))?;
        let nodes = Nodes::of(self.phone, frame, self.shares(&[middle], BODY_MARGIN_M)?);
        let mut worlds: [Vec<Vector3<f32>>; NODES] = std::array::from_fn(|_| Vec::new());
        for (node, world) in worlds.iter_mut().enumerate() {
            let centre: Vector3<f32> = ball_at(nodes.at_s(node))?.cast();
            world.extend(
                self.ball
                    .vertices_m
                    .iter()
                    .map(|v| centre + v * BALL_RADIUS_M as f32),
            );
        }
        let pixels = worlds
            .each_ref()
            .map(|world| world.iter().map(|v| self.projector.project(*v)).collect());
        let [_, world_m, ..] = worlds;
        Some(Moving {
            nodes,
            pixels,
            world_m,
            normals: self.ball.vertices_m.clone(),
            triangles: &self.ball.triangles,
            materials: &self.ball_materials,
            palette: &BALL_PALETTE,
            rest_m: &self.ball.vertices_m,
            light: Vec::new(),
        })
    }

    /// Draws everything into tiles, far ones first; things whose tiles touch share one and so hide each other rightly.
    /// Each tile comes with its number of samples.
    fn tiles(&self, frame: usize, moving: &[Moving<'_>]) -> Vec<(Tile, f32)> {
        let mut groups: Vec<(BoundsPx, Vec<&Moving<'_>>)> = Vec::new();
        for thing in moving {
            let mut bounds = BoundsPx::around(
                thing.pixels.iter().flatten(),
                self.backdrop.width,
                self.backdrop.height,
            );
            let mut members = vec![thing];
            while let Some(at) = groups.iter().position(|(b, _)| b.touches(&bounds)) {
                let (b, m) = groups.swap_remove(at);
                bounds = bounds.and(&b);
                members.extend(m);
            }
            groups.push((bounds, members));
        }
        groups
            .into_iter()
            .filter(|(bounds, _)| !bounds.is_empty())
            .map(|(bounds, members)| {
                let blur = members.iter().map(|m| m.blur_px(self.phone)).fold(0.0, f32::max);
                let small = members.iter().map(|m| m.world_m.len()).sum::<usize>() < SMALL_MESH;
                let pattern = samples(match (blur > STILL_BLUR_PX, small) {
                    (_, true) => Pattern::Fine,
                    (true, false) => Pattern::Moving,
                    (false, false) => Pattern::Still,
                });
                let mut tile = Tile::new(bounds);
                for &sample in &pattern {
                    for thing in &members {
                        tile.draw(&thing.at_sample(self.phone, frame, sample), &thing.look(), sample);
                    }
                    tile.finish_sample();
                }
                (tile, pattern.len() as f32)
            })
            .collect()
    }
}

/// Rectangles with those that touch made one.
fn joined(regions: Vec<BoundsPx>) -> Vec<BoundsPx> {
    let mut out: Vec<BoundsPx> = Vec::new();
    for mut region in regions.into_iter().filter(|r| !r.is_empty()) {
        while let Some(at) = out.iter().position(|r| r.touches(&region)) {
            region = region.and(&out.swap_remove(at));
        }
        out.push(region);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Camera, CameraFromWorld, QuarterTurns};
    use crate::scene::body::BodyLibrary;
    use crate::scene::outfit::Outfit;
    use crate::scene::phone::{PhoneClock, Sensor};
    use crate::scene::raster::{Sample, ScreenVertex};
    use crate::scene::rig::{BONE_COUNT, Bone};
    use nalgebra::UnitQuaternion;

    fn phone() -> FilmPhone {
        FilmPhone {
            camera: Camera {
                width_px: 1920,
                height_px: 1080,
                fx_px: 1515.0,
                fy_px: 1512.0,
                cx_px: 966.0,
                cy_px: 533.0,
                distortion: [0.09, -0.18, 0.0006, -0.0004, 0.05],
            },
            pose: CameraFromWorld::looking_at(
                WorldPoint(Vector3::new(1.5, 1.4, -5.5)),
                WorldPoint(Vector3::new(0.6, 1.0, 0.0)),
            )
            .unwrap(),
            rate_hz: 240.0,
            first_pts_s: 0.0,
            readout_s: 0.0035,
            exposure_s: 0.001,
            turns: QuarterTurns::Zero,
            clock: PhoneClock {
                offset_s: 0.0123,
                drift_ppm: 11.0,
            },
            sensor: Sensor::daylight(),
            seed: 1,
        }
    }

    #[test]
    fn vertices_lie_where_their_own_rows_instant_puts_them() {
        let path = std::env::var_os("TWINMOUND_BODIES").map_or_else(
            || std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(".setup/bodies.bin"),
            std::path::PathBuf::from,
        );
        let library = BodyLibrary::open(&path).unwrap();
        let body = &library.bodies[0];
        let rig = body.rig.clone();
        let arm = rig.heads_m[Bone::RightForearm as usize] - rig.heads_m[Bone::RightUpperArm as usize];
        // As fast as arms get: internal rotation of 7000 degrees a second, elbow extension of 2300, trunk of 1100.
        let posture_at: PostureAt = Arc::new(move |t| {
            let mut turns = [UnitQuaternion::identity(); BONE_COUNT];
            let spin = UnitQuaternion::from_scaled_axis(arm.normalize() * (-122.0 * t));
            turns[Bone::RightUpperArm as usize] =
                UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 0.0, -0.8)) * spin;
            turns[Bone::RightForearm as usize] =
                UnitQuaternion::from_scaled_axis(Vector3::new(-0.8 + 40.0 * t, 0.0, 0.0));
            turns[Bone::Thorax as usize] = UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 19.0 * t, 0.0));
            Posture {
                pelvis_m: Vector3::new(3.0 * t, 0.95, 0.0),
                turns,
            }
        });
        let person = Person::dressed(body, &Outfit::seeded(1, None));
        let count = person.surface.rest_m.len();
        let scene = Scene {
            stage: Stage::seeded(1),
            actors: vec![Actor {
                person,
                posture_at: Arc::clone(&posture_at),
            }],
            ball_at: None,
        };
        let phone = phone();
        let film = DeliveryFilm::new(&scene, &phone);
        let mut worst_px = 0.0_f64;
        for frame in [0, 3] {
            let moving = film.moving(frame);
            for share in [0.06, 0.94] {
                let sample = Sample {
                    exposure_share: share,
                    x_px: 0.0,
                    y_px: 0.0,
                };
                let fast: Vec<ScreenVertex> = moving[0].at_sample(&phone, frame, sample);
                for vertex in (0..count).step_by(count / 40) {
                    // Brute force: place the whole body again at the instant of the row where the vertex was found.
                    let mut pixel =
                        PixelPoint::new(f64::from(fast[vertex].x_px), f64::from(fast[vertex].y_px));
                    for _ in 0..4 {
                        let time_s = phone.pixel_time_s(frame, pixel, f64::from(share));
                        let world = scene.actors[0].person.surface.place(&rig, &posture_at(time_s))[vertex];
                        let seen = phone.pose.apply(WorldPoint(world.cast()));
                        pixel = phone.camera.project(seen).unwrap();
                    }
                    let found = PixelPoint::new(f64::from(fast[vertex].x_px), f64::from(fast[vertex].y_px));
                    worst_px = worst_px.max(found.distance_px(pixel));
                }
            }
        }
        println!("largest deviation from brute force: {worst_px:.5} px");
        assert!(worst_px < 0.02, "{worst_px}");
    }
}
