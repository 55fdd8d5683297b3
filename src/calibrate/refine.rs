//! Places one board corner to a small share of a pixel, with its own standard deviation.
//!
//! Least squares on the grey values in the corner's own parallelogram: `a + g . x + b e + t e^2` with
//! `e = tanh(n1 . (x - c) / s) tanh(n2 . (x - c) / s)`, two blurred edges that cross at `c`. The model and every real corner,
//! blurred by lens, motion or tone curve, look the same after half a turn about the corner, so that a wrong blur shape does
//! not move `c`; `t` takes up the tone curve, the slope `g` shading and glare.

use nalgebra::{SMatrix, SVector, Vector2};

use crate::picture::Grey;

const PARAMETERS: usize = 10;
/// Share of a square, from the corner, that the window spans: short of the next edge's blur.
const WINDOW_SHARE: f64 = 0.42;
/// Largest window half-width, pixels: more adds curvature, not precision.
const MAX_HALF_PX: f64 = 10.0;
/// Corners nearer than this to the picture's border are not placed, pixels.
const BORDER_PX: f64 = 3.0;
const MAX_ITERATIONS: usize = 25;
/// Standard deviation of the Gaussian whose error function has the slope of tanh(t): sqrt(2 / pi).
const SD_OF_TANH: f64 = 0.797_884_560_802_865_4;

/// A corner as fitted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fitted {
    pub(super) at: Vector2<f64>,
    /// Root mean square of the two axes' standard deviations, pixels.
    pub(super) sd_px: f64,
    /// Standard deviation of the edges' blur, pixels.
    pub(super) blur_px: f64,
    /// Bright minus dark, grey levels; the sign tells whether the wedge between `u` and `v` is bright.
    pub(super) contrast: f64,
}

/// Samples handled together: a whole number of the processor's vectors.
const LANES: usize = 8;

/// Most samples of a window: 21 x 21 pixels, filled up to whole vectors.
const MAX_SAMPLES: usize = 448;

/// Pixels around a corner, in single precision and one array for each quantity, so that the compiler works on several at
/// once: most of the time of a calibration is spent here. What single precision loses, 1e-6 of a grey value, is far below
/// the noise of one.
struct Window {
    /// Offsets from the start, pixels.
    x: Vec<f32>,
    y: Vec<f32>,
    /// Grey values.
    value: Vec<f32>,
    /// 1, or 0 for what only fills the last vector.
    weight: Vec<f32>,
    count: usize,
}

impl Window {
    /// Pixels of the parallelogram spanned by the squares' sides `u` and `v` around `start`.
    fn around(picture: &Grey, start: Vector2<f64>, u: Vector2<f64>, v: Vector2<f64>) -> Option<Self> {
        let det = u.x * v.y - u.y * v.x;
        if det.abs() < 4.0 {
            return None;
        }
        let half = MAX_HALF_PX.min((u.abs() + v.abs()).max() * WINDOW_SHARE).ceil();
        // Near the picture's border the window is cut off; the corner itself must lie inside.
        let (right, bottom) = ((picture.width - 1) as f64, (picture.height - 1) as f64);
        if start.x < BORDER_PX
            || start.y < BORDER_PX
            || start.x > right - BORDER_PX
            || start.y > bottom - BORDER_PX
        {
            return None;
        }
        let (x0, x1) = (
            (start.x - half).ceil().max(0.0),
            (start.x + half).floor().min(right),
        );
        let (y0, y1) = (
            (start.y - half).ceil().max(0.0),
            (start.y + half).floor().min(bottom),
        );
        let most = ((x1 - x0 + 1.0) * (y1 - y0 + 1.0)) as usize + LANES;
        let mut window = Self {
            x: Vec::with_capacity(most),
            y: Vec::with_capacity(most),
            value: Vec::with_capacity(most),
            weight: Vec::new(),
            count: 0,
        };
        for y in y0 as usize..=y1 as usize {
            for x in x0 as usize..=x1 as usize {
                let d = Vector2::new(x as f64, y as f64) - start;
                let along_u = (d.x * v.y - d.y * v.x) / det;
                let along_v = (u.x * d.y - u.y * d.x) / det;
                if along_u.abs() <= WINDOW_SHARE && along_v.abs() <= WINDOW_SHARE {
                    window.x.push(d.x as f32);
                    window.y.push(d.y as f32);
                    window.value.push(f32::from(picture.at(x, y)));
                }
            }
        }
        window.count = window.x.len();
        let filled = window.count.next_multiple_of(LANES);
        window.weight = vec![1.0; window.count];
        for part in [
            &mut window.x,
            &mut window.y,
            &mut window.value,
            &mut window.weight,
        ] {
            part.resize(filled, 0.0);
        }
        (window.count > PARAMETERS + 5 && filled <= MAX_SAMPLES).then_some(window)
    }

    fn mean(&self) -> f64 {
        self.value.iter().map(|v| f64::from(*v)).sum::<f64>() / self.count as f64
    }

    /// Half the difference between the wedge between `u` and `v` with its opposite and the other two, as a start.
    fn contrast(&self, mean: f64, u: Vector2<f64>, v: Vector2<f64>) -> f64 {
        let (mean, n1, n2) = (mean as f32, [-u.y as f32, u.x as f32], [-v.y as f32, v.x as f32]);
        let mut sum = 0.0_f64;
        for k in 0..self.count {
            let (x, y) = (self.x[k], self.y[k]);
            let side = (n1[0] * x + n1[1] * y) * (n2[0] * x + n2[1] * y);
            sum += f64::from(side.signum() * (self.value[k] - mean));
        }
        sum / self.count as f64
    }

    /// Normal equations and sum of squares at `p` = (a, gx, gy, b, cx, cy, angle1, angle2, s, t).
    fn normal(
        &self,
        p: &SVector<f64, PARAMETERS>,
    ) -> (
        SMatrix<f64, PARAMETERS, PARAMETERS>,
        SVector<f64, PARAMETERS>,
        f64,
    ) {
        // Derivatives by the parameters, then what is left of the grey values.
        let all = self.slopes(p);
        let slopes = all.each_ref().map(|part| &part[..self.x.len()]);
        let mut h = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
        let mut g = SVector::<f64, PARAMETERS>::zeros();
        for i in 0..PARAMETERS {
            for j in 0..=i {
                h[(i, j)] = dot(slopes[i], slopes[j]);
            }
            g[i] = dot(slopes[i], slopes[PARAMETERS]);
        }
        h.fill_upper_triangle_with_lower_triangle();
        (h, g, dot(slopes[PARAMETERS], slopes[PARAMETERS]))
    }

    fn slopes(&self, p: &SVector<f64, PARAMETERS>) -> [[f32; MAX_SAMPLES]; PARAMETERS + 1] {
        let q: SVector<f32, PARAMETERS> = p.map(|v| v as f32);
        let ((s1, c1), (s2, c2)) = (p[6].sin_cos(), p[7].sin_cos());
        // Normals of the two edges, and their derivatives by the edges' angles.
        let (n1, n2) = ([-s1 as f32, c1 as f32], [-s2 as f32, c2 as f32]);
        let (m1, m2) = ([-c1 as f32, -s1 as f32], [-c2 as f32, -s2 as f32]);
        let per_s = (1.0 / p[8]) as f32;
        let filled = self.x.len();
        let mut out = [[0.0_f32; MAX_SAMPLES]; PARAMETERS + 1];
        for from in (0..filled).step_by(LANES) {
            let lane = |part: &[f32]| -> [f32; LANES] { std::array::from_fn(|k| part[from + k]) };
            let (x, y, value, weight) = (
                lane(&self.x),
                lane(&self.y),
                lane(&self.value),
                lane(&self.weight),
            );
            let mut row = [[0.0_f32; LANES]; PARAMETERS + 1];
            for k in 0..LANES {
                let (rx, ry, w) = (x[k] - q[4], y[k] - q[5], weight[k]);
                let t1 = (n1[0] * rx + n1[1] * ry) * per_s;
                let t2 = (n2[0] * rx + n2[1] * ry) * per_s;
                let (e1, e2) = (tanh(t1), tanh(t2));
                let e = e1 * e2;
                // Derivative of the grey value by e, over s.
                let slope = (q[3] + 2.0 * q[9] * e) * per_s * w;
                let (f1, f2) = ((1.0 - e1 * e1) * e2 * slope, (1.0 - e2 * e2) * e1 * slope);
                row[0][k] = w;
                row[1][k] = w * x[k];
                row[2][k] = w * y[k];
                row[3][k] = w * e;
                row[4][k] = -(f1 * n1[0] + f2 * n2[0]);
                row[5][k] = -(f1 * n1[1] + f2 * n2[1]);
                row[6][k] = f1 * (m1[0] * rx + m1[1] * ry);
                row[7][k] = f2 * (m2[0] * rx + m2[1] * ry);
                row[8][k] = -(f1 * t1 + f2 * t2);
                row[9][k] = w * e * e;
                row[10][k] = w * (value[k] - (q[0] + q[1] * x[k] + q[2] * y[k] + q[3] * e + q[9] * e * e));
            }
            for (part, lanes) in out.iter_mut().zip(&row) {
                part[from..from + LANES].copy_from_slice(lanes);
            }
        }
        out
    }
}

/// Sum of products; both are whole vectors long.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0.0_f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for k in 0..LANES {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().map(|s| f64::from(*s)).sum()
}

/// Adding and taking away this rounds a small number to a whole one, which then stands in the lowest bits: 1.5 x 2^23.
const ROUNDING: f32 = 12_582_912.0;

/// Hyperbolic tangent to 3e-7, `1 - 2 / (exp(2t) + 1)`, without a branch.
fn tanh(t: f32) -> f32 {
    // exp(2t) = 2^n 2^f with n whole and f between -1/2 and 1/2; the series of 2^f = exp(f ln 2) to the sixth power.
    let power = (2.0 * std::f32::consts::LOG2_E * t).clamp(-60.0, 60.0);
    let shifted = power + ROUNDING;
    let whole = shifted.to_bits().wrapping_sub(ROUNDING.to_bits());
    let z = (power - (shifted - ROUNDING)) * std::f32::consts::LN_2;
    let series = 1.0
        + z * (1.0
            + z * (1.0 / 2.0 + z * (1.0 / 6.0 + z * (1.0 / 24.0 + z * (1.0 / 120.0 + z * (1.0 / 720.0))))));
    let scale = f32::from_bits(whole.wrapping_add(127) << 23);
    1.0 - 2.0 / (series * scale + 1.0)
}

/// Fits the corner near `start`; `u` and `v` are the sides of the squares there, pixels. `None` when the picture does not
/// show a corner there.
pub(super) fn refine(
    picture: &Grey,
    start: Vector2<f64>,
    u: Vector2<f64>,
    v: Vector2<f64>,
) -> Option<Fitted> {
    // Once from the start, once more with the window centred on what was found.
    let first = fit(picture, start, u, v)?;
    if (first.at - start).norm() < 0.3 {
        return Some(first);
    }
    fit(picture, first.at, u, v)
}

fn fit(picture: &Grey, start: Vector2<f64>, u: Vector2<f64>, v: Vector2<f64>) -> Option<Fitted> {
    let window = Window::around(picture, start, u, v)?;
    let mean = window.mean();
    let mut p = SVector::<f64, PARAMETERS>::zeros();
    p[0] = mean;
    p[6] = u.y.atan2(u.x);
    p[7] = v.y.atan2(v.x);
    p[8] = 1.2;
    p[3] = window.contrast(mean, u, v);
    let (mut h, mut g, mut cost) = window.normal(&p);
    let mut damping = 1e-4;
    for _ in 0..MAX_ITERATIONS {
        let mut damped = h;
        for i in 0..PARAMETERS {
            damped[(i, i)] += damping * h[(i, i)] + 1e-9;
        }
        let step = damped.cholesky()?.solve(&g);
        let mut next = p + step;
        next[8] = next[8].clamp(0.25, 8.0);
        let (h2, g2, cost2) = window.normal(&next);
        if cost2 <= cost {
            // Steps shrink by far more than tenfold here: the next would be lost in the corner's own doubt.
            let done = step.fixed_rows::<2>(4).norm() < 6e-3;
            (p, h, g, cost) = (next, h2, g2, cost2);
            damping = (damping * 0.2).max(1e-9);
            if done {
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e6 {
                break;
            }
        }
    }
    let reach = 0.35 * u.norm().min(v.norm());
    let shift = Vector2::new(p[4], p[5]);
    if shift.norm() > reach.max(1.5) {
        return None;
    }
    let variance = cost / (window.count - PARAMETERS) as f64;
    let inverse = h.try_inverse()?;
    let sd_px = (variance * (inverse[(4, 4)] + inverse[(5, 5)]) / 2.0).sqrt();
    // The angles say which wedge b belongs to: n1 . v and n2 . u have opposite signs when v is left of u.
    let wedge = Vector2::new(-p[6].sin(), p[6].cos()).dot(&v) * Vector2::new(-p[7].sin(), p[7].cos()).dot(&u);
    (sd_px.is_finite() && wedge.abs() > 1e-9).then_some(Fitted {
        at: start + shift,
        sd_px,
        blur_px: p[8] * SD_OF_TANH,
        contrast: 2.0 * p[3] * wedge.signum(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fast_tangent_is_that_of_the_library() {
        for k in -4000..=4000 {
            let t = k as f32 / 100.0;
            assert!((tanh(t) - t.tanh()).abs() < 3e-7, "{t}: {} {}", tanh(t), t.tanh());
        }
    }
}
