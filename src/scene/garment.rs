//! Things worn that the body mesh does not have: a cap's brim and a fielder's glove, and a ball.

use nalgebra::Vector3;

/// A closed surface in some body's rest pose.
#[derive(Clone, Debug, Default)]
pub(crate) struct Shape {
    /// Vertices, metres.
    pub(crate) vertices_m: Vec<Vector3<f32>>,
    /// Counterclockwise seen from outside.
    pub(crate) triangles: Vec<[u32; 3]>,
}

/// A sphere by latitude and longitude, radius 1.
pub(crate) fn sphere(rings: u32, sectors: u32) -> Shape {
    let mut shape = Shape::default();
    for ring in 0..=rings {
        let polar = std::f32::consts::PI * ring as f32 / rings as f32;
        for sector in 0..sectors {
            let azimuth = std::f32::consts::TAU * sector as f32 / sectors as f32;
            shape.vertices_m.push(Vector3::new(
                polar.sin() * azimuth.cos(),
                polar.cos(),
                polar.sin() * azimuth.sin(),
            ));
        }
    }
    for ring in 0..rings {
        for sector in 0..sectors {
            let next = (sector + 1) % sectors;
            let (a, b) = (ring * sectors + sector, ring * sectors + next);
            let (c, d) = (a + sectors, b + sectors);
            if ring > 0 {
                shape.triangles.push([a, b, c]);
            }
            if ring + 1 < rings {
                shape.triangles.push([b, d, c]);
            }
        }
    }
    shape
}

/// The brim of a cap: a bent tongue that starts at the forehead.
///
/// `radii_m`: half width and half depth of the head at the brim's height, `centre_m` the middle of the head there.
pub(crate) fn brim(centre_m: Vector3<f32>, radii_m: (f32, f32)) -> Shape {
    const ACROSS: u32 = 16;
    const OUT: u32 = 5;
    const LENGTH_M: f32 = 0.072;
    const THICK_M: f32 = 0.005;
    let mut shape = Shape::default();
    for side in 0..2 {
        for i in 0..=ACROSS {
            let share = i as f32 / ACROSS as f32 * 2.0 - 1.0;
            let angle = share * 1.15; // from the middle of the forehead, radians
            for j in 0..=OUT {
                let out = j as f32 / OUT as f32;
                let reach = LENGTH_M * (1.0 - share.powi(2)).max(0.0).sqrt() * out;
                let x = centre_m.x + radii_m.0 * angle.sin() * (1.0 + 0.06 * out);
                let z = centre_m.z + radii_m.1 * angle.cos() + reach;
                let y = centre_m.y - 0.20 * reach - 0.016 * share.powi(2) - THICK_M * side as f32;
                shape.vertices_m.push(Vector3::new(x, y, z));
            }
        }
    }
    let per_side = (ACROSS + 1) * (OUT + 1);
    for i in 0..ACROSS {
        for j in 0..OUT {
            let a = i * (OUT + 1) + j;
            let (b, c, d) = (a + 1, a + OUT + 1, a + OUT + 2);
            shape.triangles.extend([[a, b, c], [b, d, c]]); // top, seen from above
            let s = per_side;
            shape
                .triangles
                .extend([[a + s, c + s, b + s], [b + s, c + s, d + s]]);
        }
    }
    // The front edge joins top and bottom.
    for i in 0..ACROSS {
        let a = i * (OUT + 1) + OUT;
        let c = a + OUT + 1;
        shape
            .triangles
            .extend([[a, a + per_side, c], [c, a + per_side, c + per_side]]);
    }
    shape
}

/// A fielder's glove around a hand: a flattened, cupped ball of leather.
///
/// `wrist_m`, `knuckle_m` of the middle finger, `across_m` from little to index finger knuckle, `palm` the direction the
/// palm faces.
pub(crate) fn glove(
    wrist_m: Vector3<f32>,
    knuckle_m: Vector3<f32>,
    across_m: Vector3<f32>,
    palm: Vector3<f32>,
    size: f32,
) -> Shape {
    let along = (knuckle_m - wrist_m).normalize();
    let palm = (palm - along * palm.dot(&along)).normalize();
    let across = (across_m - along * across_m.dot(&along) - palm * across_m.dot(&palm)).normalize();
    let centre = wrist_m + along * (0.125 * size) + palm * (0.012 * size);
    let mut shape = sphere(14, 22);
    for v in &mut shape.vertices_m {
        // Sphere axes: y along the fingers, x across, z out of the palm.
        let (x, y, z) = (v.x, v.y, v.z);
        let wide = if y < 0.0 {
            0.105 - 0.040 * y.powi(2)
        } else {
            0.105 + 0.012 * y
        };
        // Fingers: shallow grooves toward the tips.
        let groove = if y > 0.1 {
            1.0 + 0.10 * y * (x * 16.0).cos().abs()
        } else {
            1.0
        };
        let cup = if z > 0.0 { -0.75 } else { 1.0 }; // the palm side is hollow
        let depth = 0.050 * z * cup + 0.045 * (x * x + 0.6 * (y - 0.1).max(0.0).powi(2));
        *v = centre + (along * (0.135 * y * groove) + across * (wide * x) + palm * (depth - 0.012)) * size;
    }
    if across.cross(&along).dot(&palm) < 0.0 {
        for t in &mut shape.triangles {
            t.swap(1, 2); // a left hand's axes are a mirror image
        }
    }
    shape
}
