//! What holds without any picture: lengths, jerk, the leash to the start.

use nalgebra::{Matrix3, Vector3};

use crate::reconstruct::PER_KNOT;
use crate::reconstruct::body::{Bone, hangs_on, jerk_density};
use crate::reconstruct::normal::Normal;
use crate::reconstruct::problem::Problem;
use crate::skeleton::Joint;

/// Every joint is held to its start this loosely, metres: it only keeps unseen joints from floating away.
const LEASH_M: f64 = 1.0;

impl Problem {
    /// Adds the terms that hold without any picture: lengths, jerk, the leash.
    pub(crate) fn add_prior_terms(&self, normal: &mut Normal) {
        self.add_bones(normal);
        self.add_jerk(normal);
        let leash = LEASH_M.powi(-2);
        for joint in Joint::ALL {
            for k in 0..self.grid.count {
                normal.add((k, joint), (k, joint), &(Matrix3::identity() * leash));
                let off = self.coefficients[joint][k] - self.start_coefficients[joint][k];
                normal.add_gradient((k, joint), &(off * leash));
            }
        }
    }

    /// Half the sum of squares of the terms that hold without any picture.
    pub(crate) fn prior_cost(&self) -> f64 {
        let mut cost = 0.0;
        for basis in self.times_s.iter().filter_map(|t| self.grid.basis(*t)) {
            for (bone, length_m) in self.bones.iter().zip(&self.lengths_m) {
                let end = |joint| self.sum(joint, basis.first, &basis.position);
                let distance_m = (end(bone.ends.0) - end(bone.ends.1)).norm();
                cost += 0.5 * ((distance_m - length_m) / bone.sd_m).powi(2);
            }
        }
        let weights = self.grid.jerk();
        for first in 0..self.grid.count - 3 {
            let middle_s = self.grid.origin_s + (first as f64 + 0.5) * self.grid.step_s;
            for joint in Joint::ALL {
                let base = hangs_on(joint).map_or_else(Vector3::zeros, |b| self.sum(b, first, &weights));
                let jerk = self.sum(joint, first, &weights) - base;
                let density = jerk_density(joint, middle_s - self.delivery.fastest.0, &self.delivery);
                cost += 0.5 * self.grid.step_s / density * jerk.norm_squared();
            }
        }
        cost
    }

    fn add_bones(&self, normal: &mut Normal) {
        for &time_s in &self.times_s {
            let Some(basis) = self.grid.basis(time_s) else {
                continue;
            };
            for (bone, &length_m) in self.bones.iter().zip(&self.lengths_m) {
                let (a, b) = bone.ends;
                let apart =
                    self.sum(a, basis.first, &basis.position) - self.sum(b, basis.first, &basis.position);
                let distance_m = apart.norm();
                if distance_m < 1e-6 || length_m <= 0.0 {
                    continue;
                }
                let along = apart / (distance_m * bone.sd_m);
                let miss = (distance_m - length_m) / bone.sd_m;
                let block = along * along.transpose();
                add_difference(
                    normal,
                    &basis.position,
                    basis.first,
                    a,
                    Some(b),
                    &block,
                    &(along * miss),
                );
            }
        }
    }

    /// What a change of the lengths (metres, one a bone) would do, as pushes on the unknowns.
    pub(crate) fn push_lengths(&self, changes_m: &[f64], push: &mut impl FnMut(usize, f64)) {
        for &time_s in &self.times_s {
            let Some(basis) = self.grid.basis(time_s) else {
                continue;
            };
            for (bone, change_m) in self.bones.iter().zip(changes_m) {
                let (a, b) = bone.ends;
                let apart =
                    self.sum(a, basis.first, &basis.position) - self.sum(b, basis.first, &basis.position);
                let distance_m = apart.norm();
                if distance_m < 1e-6 {
                    continue;
                }
                let pull = apart * (change_m / (distance_m * bone.sd_m * bone.sd_m));
                for (i, share) in basis.position.iter().enumerate() {
                    let knot = (basis.first + i) * PER_KNOT;
                    for axis in 0..3 {
                        push(knot + 3 * a.index() + axis, pull[axis] * share);
                        push(knot + 3 * b.index() + axis, -pull[axis] * share);
                    }
                }
            }
        }
    }

    fn add_jerk(&self, normal: &mut Normal) {
        let weights = self.grid.jerk();
        for first in 0..self.grid.count - 3 {
            let middle_s = self.grid.origin_s + (first as f64 + 0.5) * self.grid.step_s;
            let after_s = middle_s - self.delivery.fastest.0;
            for joint in Joint::ALL {
                let base = hangs_on(joint);
                let mut jerk = self.sum(joint, first, &weights);
                if let Some(base) = base {
                    jerk -= self.sum(base, first, &weights);
                }
                let weight = self.grid.step_s / jerk_density(joint, after_s, &self.delivery);
                let block = Matrix3::identity() * weight;
                add_difference(normal, &weights, first, joint, base, &block, &(jerk * weight));
            }
        }
    }

    /// The lengths of the current estimate: each bone's mean over the delivery, instants weighted by how well both ends
    /// are seen, and left and right limbs taken as alike.
    pub(crate) fn measure_lengths(&self) -> Vec<f64> {
        let sums: Vec<(f64, f64)> = self.bones.iter().map(|bone| self.weighted_length(bone)).collect();
        let alike = |bone: &Bone| {
            let twin = (bone.ends.0.mirrored(), bone.ends.1.mirrored());
            self.bones.iter().position(|b| b.ends == twin)
        };
        self.bones
            .iter()
            .zip(&sums)
            .map(|(bone, own)| {
                let twin = alike(bone).map_or((0.0, 0.0), |i| sums[i]);
                let weight = own.1 + twin.1;
                if weight > 0.0 {
                    (own.0 + twin.0) / weight
                } else {
                    0.0
                }
            })
            .collect()
    }

    /// Sum of weighted lengths of one bone, and of the weights.
    fn weighted_length(&self, bone: &Bone) -> (f64, f64) {
        let mut sum = (0.0, 0.0);
        for (i, time_s) in self.times_s.iter().enumerate() {
            let (Some(basis), Some(a), Some(b)) = (
                self.grid.basis(*time_s),
                self.seen_well[bone.ends.0][i],
                self.seen_well[bone.ends.1][i],
            ) else {
                continue;
            };
            let end = |joint| self.sum(joint, basis.first, &basis.position);
            let weight = (a * a + b * b).recip();
            sum.0 += weight * (end(bone.ends.0) - end(bone.ends.1)).norm();
            sum.1 += weight;
        }
        sum
    }
}

/// Adds a term in `sum_i w_i (x_a,i - x_b,i)`: its 3 x 3 weight and its gradient.
pub(crate) fn add_difference(
    normal: &mut Normal,
    weights: &[f64; 4],
    first: usize,
    a: Joint,
    b: Option<Joint>,
    block: &Matrix3<f64>,
    gradient: &Vector3<f64>,
) {
    for i in 0..4 {
        let here = first + i;
        normal.add_gradient((here, a), &(gradient * weights[i]));
        if let Some(b) = b {
            normal.add_gradient((here, b), &(gradient * -weights[i]));
        }
        for j in 0..4 {
            let there = first + j;
            let part = block * (weights[i] * weights[j]);
            if j <= i {
                normal.add((here, a), (there, a), &part);
                if let Some(b) = b {
                    normal.add((here, b), (there, b), &part);
                }
            }
            if let Some(b) = b {
                normal.add((here, a), (there, b), &-part);
            }
        }
    }
}
