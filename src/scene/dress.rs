//! Dressing a body: clothes puffed out from the skin, a cap and a glove.

use nalgebra::Vector3;

use crate::scene::body::{Body, Part};
use crate::scene::garment::{Shape, brim, glove};
use crate::scene::material::{Jersey, Material, Waist, mixed, scaled, srgb};
use crate::scene::outfit::Outfit;
use crate::scene::rig::{Bone, Posture, Rig};
use crate::scene::skin::{bone_transforms, skin_direction, skin_vertex, split_twist};
use crate::skeleton::{Joint, Side};

/// A surface whose vertices follow bones.
#[derive(Clone, Debug)]
pub(crate) struct Surface {
    pub(crate) rest_m: Vec<Vector3<f32>>,
    normals: Vec<Vector3<f32>>,
    weights: Vec<Vec<(u8, f32)>>,
    pub(crate) triangles: Vec<[u32; 3]>,
    /// Index into the palette, one per triangle.
    pub(crate) materials: Vec<u8>,
    pub(crate) palette: Vec<Material>,
}

/// A dressed person, ready to be posed.
#[derive(Clone, Debug)]
pub struct Person {
    /// Bones and tracked joints.
    pub rig: Rig,
    pub(crate) surface: Surface,
}

impl Person {
    /// Dresses a body.
    #[must_use]
    pub fn dressed(body: &Body, outfit: &Outfit) -> Self {
        let parts = &body.topology.parts;
        let rest_m = clothed(body);
        let mut surface = Surface {
            normals: Vec::new(),
            weights: rest_m
                .iter()
                .zip(&body.topology.skin)
                .map(|(v, skin)| split_twist(&body.rig, *v, *skin))
                .collect(),
            materials: body
                .topology
                .triangles
                .iter()
                .map(|t| triangle_part(parts, t) as u8)
                .collect(),
            triangles: body.topology.triangles.clone(),
            palette: palette(body, outfit),
            rest_m,
        };
        let crown = cap_dome(body, &surface.rest_m);
        let cap = Material::Cap {
            colour: outfit.cap,
            hair: outfit.hair,
            edge_m: cap_edge_m(body),
        };
        surface.add(&crown, Bone::Head, cap);
        surface.add(
            &cap_brim(body, &crown),
            Bone::Head,
            Material::Plain(scaled(outfit.cap, 0.85)),
        );
        if let Some(side) = outfit.glove {
            let hand = if side == Side::Left {
                Bone::LeftHand
            } else {
                Bone::RightHand
            };
            surface.add(&glove_on(body, side), hand, Material::Cloth(srgb(0x8A5228)));
        }
        surface.normals = vertex_normals(&surface.rest_m, &surface.triangles);
        Self {
            rig: body.rig.clone(),
            surface,
        }
    }
}

impl Surface {
    /// Adds a shape that rides on one bone.
    fn add(&mut self, shape: &Shape, bone: Bone, material: Material) {
        let first = self.rest_m.len() as u32;
        self.rest_m.extend(&shape.vertices_m);
        self.weights
            .extend(shape.vertices_m.iter().map(|_| vec![(bone as u8, 1.0)]));
        self.triangles
            .extend(shape.triangles.iter().map(|t| t.map(|i| i + first)));
        self.materials
            .extend(shape.triangles.iter().map(|_| self.palette.len() as u8));
        self.palette.push(material);
    }

    /// World vertices of a posture, metres.
    pub(crate) fn place(&self, rig: &Rig, posture: &Posture) -> Vec<Vector3<f32>> {
        let transforms = bone_transforms(rig, posture);
        self.rest_m
            .iter()
            .zip(&self.weights)
            .map(|(v, w)| skin_vertex(&transforms, w, *v))
            .collect()
    }

    /// World normals of a posture, of unit length.
    pub(crate) fn place_normals(&self, rig: &Rig, posture: &Posture) -> Vec<Vector3<f32>> {
        let transforms = bone_transforms(rig, posture);
        self.normals
            .iter()
            .zip(&self.weights)
            .map(|(n, w)| {
                skin_direction(&transforms, w, *n)
                    .try_normalize(1e-6)
                    .unwrap_or(*n)
            })
            .collect()
    }
}

/// Body vertices with the clothes on: smoothed, puffed out, and nowhere inside the skin.
fn clothed(body: &Body) -> Vec<Vector3<f32>> {
    let topology = &body.topology;
    let size = (body.rig.height_m / 1.8) as f32;
    let skin_normals = vertex_normals(&body.vertices_m, &topology.triangles);
    let mut rest_m = smoothed(body);
    let normals = vertex_normals(&rest_m, &topology.triangles);
    for (i, &part) in topology.parts.iter().enumerate() {
        rest_m[i] += normals[i] * (puff_m(part) * size);
        // Smoothing draws heels, toes and shoulders in; cloth and leather lie on them all the same.
        let gap_m = (rest_m[i] - body.vertices_m[i]).dot(&skin_normals[i]);
        let least_m = least_gap_m(part) * size;
        if gap_m < least_m {
            rest_m[i] += skin_normals[i] * (least_m - gap_m);
        }
        if is_cloth(part) {
            rest_m[i].y = rest_m[i].y.max(0.0); // a sole spreads, but stands on the ground
        }
    }
    rest_m
}

/// The least that a garment stands off the skin, metres on a man of 1.8 m (common practice, no source: a shoe is some 15 to
/// 25 mm longer than its foot).
fn least_gap_m(part: Part) -> f32 {
    match part {
        Part::Shoe | Part::Sole => 0.009,
        part if is_cloth(part) => 0.003,
        _ => 0.0,
    }
}

/// How far clothes stand off the skin, metres on a man of 1.8 m.
fn puff_m(part: Part) -> f32 {
    match part {
        Part::Jersey => 0.017,
        Part::Sleeve => 0.021,
        Part::Belt => 0.010,
        Part::Trousers => 0.021,
        Part::Shoe => 0.012,
        Part::Sole => 0.006,
        Part::Scalp => 0.006,
        Part::Skin | Part::Lips | Part::Brow | Part::Eye | Part::Hand => 0.0,
    }
}

fn is_cloth(part: Part) -> bool {
    matches!(
        part,
        Part::Jersey | Part::Sleeve | Part::Belt | Part::Trousers | Part::Shoe | Part::Sole
    )
}

/// A triangle on a border belongs to the part that comes later, so that borders follow the cloth.
fn triangle_part(parts: &[Part], triangle: &[u32; 3]) -> Part {
    let [a, b, c] = triangle.map(|i| parts[i as usize]);
    [b, c]
        .into_iter()
        .fold(a, |most, p| if (p as u8) > most as u8 { p } else { most })
}

/// Body vertices with the clothed ones smoothed: cloth does not follow every muscle.
fn smoothed(body: &Body) -> Vec<Vector3<f32>> {
    const PASSES: usize = 12;
    let parts = &body.topology.parts;
    let mut at = body.vertices_m.clone();
    let mut sums = vec![(Vector3::zeros(), 0.0_f32); at.len()];
    for _ in 0..PASSES {
        sums.fill((Vector3::zeros(), 0.0));
        for t in &body.topology.triangles {
            for k in 0..3 {
                let (i, j) = (t[k] as usize, t[(k + 1) % 3] as usize);
                for (of, other) in [(i, j), (j, i)] {
                    sums[of].0 += at[other];
                    sums[of].1 += 1.0;
                }
            }
        }
        for ((v, (sum, n)), part) in at.iter_mut().zip(&sums).zip(parts) {
            if is_cloth(*part) && *n > 0.0 {
                *v = *v * 0.5 + sum / *n * 0.5;
            }
        }
    }
    at
}

/// Area-weighted vertex normals.
fn vertex_normals(vertices: &[Vector3<f32>], triangles: &[[u32; 3]]) -> Vec<Vector3<f32>> {
    let mut normals = vec![Vector3::zeros(); vertices.len()];
    for t in triangles {
        let [a, b, c] = t.map(|i| vertices[i as usize]);
        let n = (b - a).cross(&(c - a));
        for &i in t {
            normals[i as usize] += n;
        }
    }
    for n in &mut normals {
        *n = n.try_normalize(1e-12).unwrap_or_else(Vector3::y);
    }
    normals
}

/// Heights of the belt's lower edge and of the jersey's hem in rest pose, metres.
fn waist_m(body: &Body) -> (f32, f32) {
    let heights = body
        .vertices_m
        .iter()
        .zip(&body.topology.parts)
        .filter(|(_, part)| **part == Part::Belt)
        .map(|(v, _)| v.y);
    let (low, high) = heights.fold((f32::MAX, f32::MIN), |(low, high), y| (low.min(y), high.max(y)));
    (low + 0.004, high - 0.006)
}

/// Edge of a cap: height at depth 0 and rise per metre forward, metres.
fn cap_edge_m(body: &Body) -> (f32, f32) {
    const RISE: f32 = 0.13;
    let eye = body.rig.joints_m[Joint::LeftEye].cast::<f32>();
    (eye.y + 0.050 - RISE * eye.z, RISE)
}

/// One material per [`Part`], in its order.
fn palette(body: &Body, outfit: &Outfit) -> Vec<Material> {
    let at = |joint: Joint| body.rig.joints_m[joint].cast::<f32>();
    let shoulders = (at(Joint::LeftShoulder) + at(Joint::RightShoulder)) / 2.0;
    let hips = (at(Joint::LeftHip) + at(Joint::RightHip)) / 2.0;
    let stripe = outfit.striped.then(|| mixed(outfit.jersey, outfit.print, 0.7));
    let jersey = Jersey {
        ground: outfit.jersey,
        print: outfit.print,
        stripe,
        hem_y_m: waist_m(body).1,
        number: outfit.number,
        middle_y_m: shoulders.y + 0.42 * (hips.y - shoulders.y),
        middle_z_m: shoulders.z,
        digit_m: 0.50 * (shoulders.y - hips.y),
    };
    let (belt_y_m, hem_y_m) = waist_m(body);
    let cuff_y_m = 0.092 * (body.rig.height_m / 1.8) as f32;
    let trousers = Material::Trousers {
        ground: outfit.trousers,
        stripe,
        waist: Waist {
            belt_y_m,
            hem_y_m,
            jersey: outfit.jersey,
        },
        shoe: outfit.shoes,
        cuff_y_m,
    };
    let shoe = Material::Shoe {
        colour: outfit.shoes,
        sole_y_m: 0.016,
        cuff_y_m,
        trousers: outfit.trousers,
    };
    let lips = mixed(outfit.skin, [0.45, 0.10, 0.10], 0.35);
    vec![
        Material::Plain(outfit.skin),
        Material::Plain(lips),
        Material::Plain(mixed(outfit.skin, outfit.hair, 0.8)),
        Material::Plain(outfit.hair),
        Material::Eye {
            iris_m: at(Joint::LeftEye),
            colour: [0.05, 0.03, 0.02],
        },
        Material::Plain(outfit.skin),
        Material::Numbered(jersey),
        Material::Cloth(outfit.sleeves),
        trousers.clone(),
        trousers,
        shoe.clone(),
        shoe,
    ]
}

/// The dome of a cap: the crown of the head, lifted.
fn cap_dome(body: &Body, rest_m: &[Vector3<f32>]) -> Shape {
    let size = (body.rig.height_m / 1.8) as f32;
    let (edge, rise) = cap_edge_m(body);
    let above = |v: &Vector3<f32>| v.y > edge + rise * v.z;
    let normals = vertex_normals(rest_m, &body.topology.triangles);
    let mut index = vec![u32::MAX; rest_m.len()];
    let mut shape = Shape::default();
    for t in &body.topology.triangles {
        let scalp = t.iter().all(|&i| body.topology.parts[i as usize] == Part::Scalp);
        let worn = scalp && t.iter().any(|&i| above(&rest_m[i as usize]));
        if !worn {
            continue;
        }
        let corners = t.map(|i| {
            let i = i as usize;
            if index[i] == u32::MAX {
                index[i] = shape.vertices_m.len() as u32;
                shape.vertices_m.push(rest_m[i] + normals[i] * (0.009 * size));
            }
            index[i]
        });
        shape.triangles.push(corners);
    }
    shape
}

/// The brim, fitted to the dome's lower edge.
fn cap_brim(body: &Body, dome: &Shape) -> Shape {
    let eye = body.rig.joints_m[Joint::LeftEye].cast::<f32>();
    let height = eye.y + 0.054;
    let band = dome.vertices_m.iter().filter(|v| (v.y - height).abs() < 0.02);
    let (mut wide, mut front, mut back) = (0.0_f32, f32::MIN, f32::MAX);
    for v in band {
        wide = wide.max(v.x.abs());
        front = front.max(v.z);
        back = back.min(v.z);
    }
    if wide == 0.0 {
        return Shape::default();
    }
    let middle = (front + back) / 2.0;
    brim(Vector3::new(0.0, height, middle), (wide, front - middle - 0.004))
}

fn glove_on(body: &Body, side: Side) -> Shape {
    let (wrist, knuckle, fingers) = match side {
        Side::Left => (Joint::LeftWrist, Joint::LeftKnuckle, body.finger_knuckles_m[0]),
        Side::Right => (Joint::RightWrist, Joint::RightKnuckle, body.finger_knuckles_m[1]),
    };
    let at = |joint: Joint| body.rig.joints_m[joint].cast::<f32>();
    let across = (fingers[0] - fingers[1]).cast::<f32>();
    let along = at(knuckle) - at(wrist);
    // Right hand: little to index, crossed with along, points out of the back of the hand or the palm by side.
    let palm = match side {
        Side::Left => along.cross(&across),
        Side::Right => across.cross(&along),
    };
    glove(
        at(wrist),
        at(knuckle),
        across,
        palm,
        (body.rig.height_m / 1.8).powf(0.7) as f32,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::body::BodyLibrary;

    #[test]
    fn clothes_lie_outside_the_skin_and_shoes_are_longer_than_feet() {
        let file = std::env::var_os("TWINMOUND_BODIES").map_or_else(
            || std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(".setup/bodies.bin"),
            std::path::PathBuf::from,
        );
        let library = BodyLibrary::open(&file).expect("the packed bodies");
        for name in ["man-188-athletic", "youth-138-boy"] {
            let body = library.named(name).expect("a packed body");
            let (bare_m, worn_m) = (&body.vertices_m, clothed(body));
            let normals = vertex_normals(bare_m, &body.topology.triangles);
            let parts = &body.topology.parts;
            for (i, part) in parts.iter().enumerate().filter(|(_, part)| is_cloth(**part)) {
                let gap_m = (worn_m[i] - bare_m[i]).dot(&normals[i]);
                assert!(
                    gap_m > -1e-4 || worn_m[i].y < 0.01,
                    "{name}, {part:?}: {gap_m} m inside the skin"
                );
            }
            let reach_m = |at: &[Vector3<f32>]| {
                let feet = at
                    .iter()
                    .zip(parts)
                    .filter(|(v, part)| v.x > 0.0 && matches!(part, Part::Shoe | Part::Sole));
                let (low, high) = feet.fold((f32::MAX, f32::MIN), |(low, high), (v, _)| {
                    (low.min(v.z), high.max(v.z))
                });
                high - low
            };
            let longer_m = reach_m(&worn_m) - reach_m(bare_m);
            assert!(
                (0.012..0.030).contains(&longer_m),
                "{name}: the shoe is {longer_m} m longer than the foot"
            );
        }
    }
}
