//! The offset together with the two phones' unknown readouts.
//!
//! A readout that is longer than assumed delays what stands low in the picture and hurries what stands high. When the
//! deciding points stand away from the middle rows, it looks like an offset; when they move through the rows it does not,
//! and is found. One linear step from the offset found without it: residuals `r + d (o - l sl + g sr)` with d their
//! derivative by the offset o, l and g what the left and right readouts lack, sl and sr the points' rows as shares of the
//! readout from the middle. The readouts are known beforehand to their standard deviations.

use nalgebra::{Matrix3, Vector3};

use crate::sync::coloured::Colour;
use crate::sync::epipolar::Views;
use crate::sync::motion::{Series, trust};

/// A readout known better than this is known, seconds.
const KNOWN_S: f64 = 1e-7;

/// The step from the offset found without the readouts, and the doubt of the result.
pub(in crate::sync) struct Joint {
    pub(in crate::sync) step_s: f64,
    /// From the noise of the tracks.
    pub(in crate::sync) noise_sd_s: f64,
    /// From what remains unknown of the readouts.
    pub(in crate::sync) readout_sd_s: f64,
}

/// Solves for all three; `None` when the observations do not determine them.
pub(in crate::sync) fn joint(views: &Views, series: &[Series], scale: f64, colour: Colour) -> Option<Joint> {
    let (left_sd_s, right_sd_s) = views.readout_sds_s();
    let known = [false, left_sd_s < KNOWN_S, right_sd_s < KNOWN_S];
    let (mut pull, mut gain, mut noise) = (Vector3::zeros(), Matrix3::zeros(), Matrix3::zeros());
    for one in series {
        let instants: Vec<f64> = one.knots.iter().map(|knot| knot.t).collect();
        let trusts: Vec<f64> = one.fits.iter().map(|f| trust(f.residual, scale)).collect();
        let rows: Vec<Vector3<f64>> = one
            .knots
            .iter()
            .zip(&one.fits)
            .map(|(knot, fit)| {
                let (left, right) = views.row_shares(knot, fit);
                Vector3::new(
                    1.0,
                    if known[1] { 0.0 } else { -left },
                    if known[2] { 0.0 } else { right },
                )
            })
            .collect();
        for k in (0..3).filter(|k| !known[*k]) {
            let by_k: Vec<f64> = one
                .fits
                .iter()
                .zip(&rows)
                .map(|(fit, row)| fit.smooth_slope * row[k])
                .collect();
            let weights = colour.weights(&instants, scale * scale, &trusts, &by_k);
            for ((fit, row), q) in one.fits.iter().zip(&rows).zip(weights) {
                pull[k] += q * fit.residual;
                for l in 0..3 {
                    gain[(k, l)] += q * fit.slope * row[l];
                    noise[(k, l)] += q * fit.smooth_slope * row[l];
                }
            }
        }
    }
    let mut prior = Matrix3::zeros();
    for (k, sd_s) in [(1, left_sd_s), (2, right_sd_s)] {
        prior[(k, k)] = if known[k] { 1.0 } else { 1.0 / (sd_s * sd_s) };
    }
    let inverse = (gain + prior).try_inverse()?;
    let step = -(inverse * pull);
    for k in (0..3).filter(|k| known[*k]) {
        prior[(k, k)] = 0.0;
    }
    let of = |information: &Matrix3<f64>| {
        let covariance = inverse * (information + information.transpose()) * inverse.transpose() / 2.0;
        covariance[(0, 0)].max(0.0).sqrt()
    };
    Some(Joint {
        step_s: step[0],
        noise_sd_s: of(&noise),
        readout_sd_s: of(&prior),
    })
}
