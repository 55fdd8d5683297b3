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

struct Window {
    /// Offsets from the start, pixels, and grey values.
    samples: Vec<(Vector2<f64>, f64)>,
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
        let mut samples = Vec::with_capacity(((x1 - x0 + 1.0) * (y1 - y0 + 1.0)) as usize);
        for y in y0 as usize..=y1 as usize {
            for x in x0 as usize..=x1 as usize {
                let d = Vector2::new(x as f64, y as f64) - start;
                let along_u = (d.x * v.y - d.y * v.x) / det;
                let along_v = (u.x * d.y - u.y * d.x) / det;
                if along_u.abs() <= WINDOW_SHARE && along_v.abs() <= WINDOW_SHARE {
                    samples.push((d, f64::from(picture.at(x, y))));
                }
            }
        }
        (samples.len() > PARAMETERS + 5).then_some(Self { samples })
    }

    /// Half the difference between the wedge between `u` and `v` with its opposite and the other two, as a start.
    fn contrast(&self, mean: f64, u: Vector2<f64>, v: Vector2<f64>) -> f64 {
        // The sign that the model's product of edges has between u and v.
        let (n1, n2) = (Vector2::new(-u.y, u.x), Vector2::new(-v.y, v.x));
        let sums = self.samples.iter().map(|(d, value)| {
            let sign = (n1.dot(d) * n2.dot(d)).signum();
            sign * (value - mean)
        });
        sums.sum::<f64>() / self.samples.len() as f64
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
        let mut h = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
        let mut g = SVector::<f64, PARAMETERS>::zeros();
        let mut cost = 0.0;
        let ((s1, c1), (s2, c2)) = (p[6].sin_cos(), p[7].sin_cos());
        let (n1, n2) = (Vector2::new(-s1, c1), Vector2::new(-s2, c2));
        let (m1, m2) = (Vector2::new(-c1, -s1), Vector2::new(-c2, -s2)); // derivatives of n by their angles
        let (b, s) = (p[3], p[8]);
        for (d, value) in &self.samples {
            let r = d - Vector2::new(p[4], p[5]);
            let (t1, t2) = (n1.dot(&r) / s, n2.dot(&r) / s);
            let (e1, e2) = (tanh(t1), tanh(t2));
            let e = e1 * e2;
            let slope = (b + 2.0 * p[9] * e) / s; // derivative of the grey value by e, over s
            let (f1, f2) = ((1.0 - e1 * e1) * e2 * slope, (1.0 - e2 * e2) * e1 * slope);
            let residual = value - (p[0] + p[1] * d.x + p[2] * d.y + b * e + p[9] * e * e);
            let j = SVector::<f64, PARAMETERS>::from([
                1.0,
                d.x,
                d.y,
                e,
                -(f1 * n1.x + f2 * n2.x),
                -(f1 * n1.y + f2 * n2.y),
                f1 * m1.dot(&r),
                f2 * m2.dot(&r),
                -(f1 * t1 + f2 * t2),
                e * e,
            ]);
            h.syger(1.0, &j, &j, 1.0);
            g += j * residual;
            cost += residual * residual;
        }
        h.fill_upper_triangle_with_lower_triangle();
        (h, g, cost)
    }
}

/// Hyperbolic tangent to about 1e-15, through one exponential: most of the time of a fit is spent here.
fn tanh(t: f64) -> f64 {
    1.0 - 2.0 / ((2.0 * t).exp() + 1.0)
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
    let mean = window.samples.iter().map(|(_, value)| value).sum::<f64>() / window.samples.len() as f64;
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
    let variance = cost / (window.samples.len() - PARAMETERS) as f64;
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
