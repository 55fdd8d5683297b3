//! Where a picture looks like the meeting point of four squares: saddle points of the smoothed brightness.
//!
//! Response: minus the determinant of the Hessian, which is positive at saddles, about zero along edges and negative on
//! spots. A candidate must also have a ring around it whose brightness goes up and down twice (second harmonic over the
//! first), which an edge or the corner of a single square does not.

use std::sync::LazyLock;

use nalgebra::{Matrix2, Vector2};

use crate::picture::Grey;

/// Distance of the samples that make second derivatives, pixels of the plane.
const STEP: usize = 2;
/// Least response; sensor noise of 4 grey levels stays under it.
const MIN_RESPONSE: f32 = 1.0;
/// Radius of the ring, pixels of the plane.
const RING_PX: f32 = 3.0;
const RING_SAMPLES: usize = 16;
/// Sine and cosine of each sample's angle.
static RING: LazyLock<[(f32, f32); RING_SAMPLES]> = LazyLock::new(|| {
    std::array::from_fn(|k| (k as f32 * (std::f32::consts::TAU / RING_SAMPLES as f32)).sin_cos())
});
/// Least amplitude of the ring's second harmonic, grey levels.
const MIN_AMPLITUDE: f32 = 4.0;
/// How far the second harmonic must stand over the first.
const HARMONIC_RATIO: f32 = 1.4;
/// More candidates than this are texture; the strongest are kept.
const MAX_CANDIDATES: usize = 2000;

/// A smoothed picture at one level of the pyramid.
pub(super) struct Plane {
    pub(super) width: usize,
    pub(super) height: usize,
    data: Vec<f32>,
}

/// A point that looks like a board corner, in pixels of its plane.
#[derive(Clone, Copy, Debug)]
pub(super) struct Saddle {
    pub(super) at: Vector2<f64>,
    pub(super) response: f32,
    pub(super) hessian: Matrix2<f64>,
}

impl Saddle {
    /// The two directions along which the edges run: where the second derivative vanishes.
    pub(super) fn edges(&self) -> Option<[Vector2<f64>; 2]> {
        let eigen = self.hessian.symmetric_eigen();
        let (a, b) = (eigen.eigenvalues[0], eigen.eigenvalues[1]);
        if a * b >= 0.0 {
            return None;
        }
        let along = eigen.eigenvectors.column(0) * b.abs().sqrt();
        let across = eigen.eigenvectors.column(1) * a.abs().sqrt();
        Some([(along + across).normalize(), (along - across).normalize()])
    }

    /// Sign of the wedge between the unit vectors `u` and `v`: +1 bright, -1 dark; `None` when the edges run clearly
    /// otherwise: the second derivative along `u` or `v`, 0 for edges, exceeds `tolerance` times the mixed one.
    pub(super) fn polarity(&self, u: Vector2<f64>, v: Vector2<f64>, tolerance: f64) -> Option<f64> {
        let mixed = u.dot(&(self.hessian * v));
        let along_u = u.dot(&(self.hessian * u)).abs();
        let along_v = v.dot(&(self.hessian * v)).abs();
        (along_u.max(along_v) < tolerance * mixed.abs()).then_some(mixed.signum())
    }
}

/// Half the size, each pixel the mean of four.
pub(super) fn halved(picture: &Grey) -> Grey {
    let (width, height) = (picture.width / 2, picture.height / 2);
    let mut data = Vec::with_capacity(width * height);
    for y in 0..height {
        let upper = &picture.data[2 * y * picture.width..][..2 * width];
        let lower = &picture.data[(2 * y + 1) * picture.width..][..2 * width];
        data.extend(upper.chunks_exact(2).zip(lower.chunks_exact(2)).map(|(a, b)| {
            let sum = u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]);
            ((sum + 2) / 4) as u8
        }));
    }
    Grey { width, height, data }
}

impl Plane {
    /// Smooths with the binomial kernel 1 4 6 4 1 (sd 1 px) in both directions; edges repeat.
    pub(super) fn smoothed(picture: &Grey) -> Self {
        let (width, height) = (picture.width, picture.height);
        let mut rows = vec![0.0_f32; width * height];
        for (source, target) in picture.data.chunks_exact(width).zip(rows.chunks_exact_mut(width)) {
            if width > 4 {
                for (t, w) in target[2..width - 2].iter_mut().zip(source.windows(5)) {
                    let sum = u16::from(w[0])
                        + u16::from(w[4])
                        + 4 * (u16::from(w[1]) + u16::from(w[3]))
                        + 6 * u16::from(w[2]);
                    *t = f32::from(sum) * (1.0 / 16.0);
                }
            }
            let at = |x: isize| f32::from(source[x.clamp(0, width as isize - 1) as usize]);
            for x in (0..2)
                .chain(width.saturating_sub(2).max(2)..width)
                .filter(|x| *x < width)
            {
                let i = x as isize;
                target[x] = (at(i - 2) + at(i + 2) + 4.0 * (at(i - 1) + at(i + 1)) + 6.0 * at(i)) / 16.0;
            }
        }
        let mut data = vec![0.0_f32; width * height];
        for y in 0..height {
            let row = |offset: isize| {
                let yy = (y as isize + offset).clamp(0, height as isize - 1) as usize;
                &rows[yy * width..][..width]
            };
            let (a, b, c, d, e) = (row(-2), row(-1), row(0), row(1), row(2));
            let target = &mut data[y * width..][..width];
            for x in 0..width {
                target[x] = (a[x] + e[x] + 4.0 * (b[x] + d[x]) + 6.0 * c[x]) * (1.0 / 16.0);
            }
        }
        Self { width, height, data }
    }

    fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    fn sample(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, (self.width - 2) as f32);
        let y = y.clamp(0.0, (self.height - 2) as f32);
        let (x0, y0) = (x as usize, y as usize);
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        let (upper, lower) = (
            &self.data[y0 * self.width + x0..],
            &self.data[(y0 + 1) * self.width + x0..],
        );
        (upper[0] * (1.0 - fx) + upper[1] * fx) * (1.0 - fy) + (lower[0] * (1.0 - fx) + lower[1] * fx) * fy
    }

    /// All candidates, strongest first.
    pub(super) fn saddles(&self) -> Vec<Saddle> {
        let (width, height) = (self.width, self.height);
        let border = RING_PX as usize + 1;
        if width < 4 * border || height < 4 * border {
            return Vec::new();
        }
        let mut response = vec![0.0_f32; width * height];
        for y in STEP..height - STEP {
            let up = &self.data[(y - STEP) * width..][..width];
            let mid = &self.data[y * width..][..width];
            let down = &self.data[(y + STEP) * width..][..width];
            let target = &mut response[y * width..][..width];
            let n = width - 2 * STEP;
            let (u0, u1, u2) = (&up[..n], &up[STEP..][..n], &up[2 * STEP..][..n]);
            let (m0, m1, m2) = (&mid[..n], &mid[STEP..][..n], &mid[2 * STEP..][..n]);
            let (d0, d1, d2) = (&down[..n], &down[STEP..][..n], &down[2 * STEP..][..n]);
            let target = &mut target[STEP..][..n];
            for i in 0..n {
                let xx = m0[i] - 2.0 * m1[i] + m2[i];
                let yy = u1[i] - 2.0 * m1[i] + d1[i];
                let xy = (u0[i] - u2[i] - d0[i] + d2[i]) * 0.25;
                target[i] = (xy * xy - xx * yy) * (1.0 / 16.0);
            }
        }
        let mut found = Vec::new();
        for y in border..height - border {
            let row = &response[y * width..][..width];
            for x in border..width - border {
                let r = row[x];
                if r < MIN_RESPONSE || r < row[x - 1] || r < row[x + 1] || !is_peak(&response, width, x, y) {
                    continue;
                }
                if let Some(saddle) = self.inspect(x, y, r, MIN_AMPLITUDE) {
                    found.push(saddle);
                }
            }
        }
        found.sort_by(|a: &Saddle, b| b.response.total_cmp(&a.response));
        found.truncate(MAX_CANDIDATES);
        found
    }

    /// The strongest saddle within `reach` pixels (at most 3) of a point, with weaker demands: used where the grid
    /// predicts a corner.
    pub(super) fn saddle_near(&self, at: Vector2<f64>, reach: f64) -> Option<Saddle> {
        let reach = (reach.round() as isize).clamp(1, 3);
        let (cx, cy) = (at.x.round() as isize, at.y.round() as isize);
        let border = RING_PX as isize + 1 + reach;
        if cx < border
            || cy < border
            || cx >= self.width as isize - border
            || cy >= self.height as isize - border
        {
            return None;
        }
        let mut best: Option<(f32, usize, usize)> = None;
        for y in cy - reach..=cy + reach {
            for x in cx - reach..=cx + reach {
                let (x, y) = (x as usize, y as usize);
                let h = self.hessian(x, y);
                let response = -h.determinant() as f32;
                if response > MIN_RESPONSE / 8.0 && best.is_none_or(|(b, _, _)| response > b) {
                    best = Some((response, x, y));
                }
            }
        }
        let (response, x, y) = best?;
        self.inspect(x, y, response, MIN_AMPLITUDE / 2.0)
    }

    fn hessian(&self, x: usize, y: usize) -> Matrix2<f64> {
        let v = |dx: isize, dy: isize| {
            f64::from(self.at(
                (x as isize + dx * STEP as isize) as usize,
                (y as isize + dy * STEP as isize) as usize,
            ))
        };
        let (mid, area) = (2.0 * v(0, 0), (STEP * STEP) as f64);
        let xx = (v(-1, 0) - mid + v(1, 0)) / area;
        let yy = (v(0, -1) - mid + v(0, 1)) / area;
        let xy = (v(-1, -1) - v(1, -1) - v(-1, 1) + v(1, 1)) / (4.0 * area);
        Matrix2::new(xx, xy, xy, yy)
    }

    /// The saddle at a pixel, placed by one Newton step, if the ring around it agrees.
    fn inspect(&self, x: usize, y: usize, response: f32, min_amplitude: f32) -> Option<Saddle> {
        let hessian = self.hessian(x, y);
        if hessian.determinant() >= 0.0 {
            return None;
        }
        let gradient = Vector2::new(
            f64::from(self.at(x + 1, y) - self.at(x - 1, y)) / 2.0,
            f64::from(self.at(x, y + 1) - self.at(x, y - 1)) / 2.0,
        );
        let step = -(hessian.try_inverse()? * gradient);
        let step = if step.norm() > 1.5 {
            step * (1.5 / step.norm())
        } else {
            step
        };
        let at = Vector2::new(x as f64, y as f64) + step;
        let (mut first, mut second) = ([0.0_f32; 2], [0.0_f32; 2]);
        for &(sin, cos) in RING.iter() {
            let v = self.sample(at.x as f32 + RING_PX * cos, at.y as f32 + RING_PX * sin);
            first = [first[0] + v * cos, first[1] + v * sin];
            // Double angle: cos 2a = cos^2 - sin^2, sin 2a = 2 sin cos.
            second = [
                second[0] + v * (cos * cos - sin * sin),
                second[1] + v * 2.0 * sin * cos,
            ];
        }
        let amplitude = second[0].hypot(second[1]) * (2.0 / RING_SAMPLES as f32);
        let tilt = first[0].hypot(first[1]) * (2.0 / RING_SAMPLES as f32);
        (amplitude >= min_amplitude && amplitude >= HARMONIC_RATIO * tilt).then_some(Saddle {
            at,
            response,
            hessian,
        })
    }
}

/// Whether a response is the largest of the 5 x 5 around it.
fn is_peak(response: &[f32], width: usize, x: usize, y: usize) -> bool {
    let r = response[y * width + x];
    (y - 2..=y + 2).all(|yy| {
        response[yy * width + x - 2..=yy * width + x + 2]
            .iter()
            .all(|&other| other <= r)
    })
}
