//! A jointed body with de Leva's parameters, moved by a general-purpose physics engine: from its joint centres alone our
//! velocities and energies are the engine's own. `fixtures/kinematics/mujoco_body.py` has the recipe.

use std::collections::BTreeMap;

use nalgebra::Vector3;
use twinmound::kinematics::{Options, measure};
use twinmound::skeleton::PerJoint;
use twinmound::smooth::{ImportedPosition, Settings, smooth_imported};
use twinmound::units::Seconds;

use super::motions::{events_at, right_hander};

/// The limit for this check.
const SHARE: f64 = 0.005;

/// Rows at either end that are left out: there a smoother knows one side only.
const ENDS: usize = 12;

struct Engine {
    times: Vec<Seconds>,
    columns: BTreeMap<String, Vec<f64>>,
}

impl Engine {
    fn load() -> Self {
        let text = include_str!("../../fixtures/kinematics/mujoco_body.csv");
        let mut lines = text.lines();
        let header: Vec<&str> = lines.next().unwrap().split(',').collect();
        let rows: Vec<Vec<f64>> = lines
            .map(|l| l.split(',').map(|c| c.parse().unwrap()).collect())
            .collect();
        Self {
            times: rows.iter().map(|r| Seconds(r[0])).collect(),
            columns: header
                .iter()
                .enumerate()
                .map(|(i, h)| ((*h).to_owned(), rows.iter().map(|r| r[i]).collect()))
                .collect(),
        }
    }

    /// Joint centres as a file would have them: no velocities.
    fn positions(&self) -> PerJoint<Vec<Option<ImportedPosition>>> {
        PerJoint::from_fn(|joint| {
            let axes = ["x", "y", "z"].map(|a| self.columns.get(&format!("{joint}_{a}_m")));
            (0..self.times.len())
                .map(|i| {
                    Some(ImportedPosition {
                        position_m: Vector3::new(axes[0]?[i], axes[1]?[i], axes[2]?[i]),
                        sd_m: None,
                    })
                })
                .collect()
        })
    }
}

#[test]
fn velocities_and_energies_are_those_of_a_physics_engine() {
    let engine = Engine::load();
    let import = smooth_imported(&engine.times, &engine.positions(), &Settings::default()).unwrap();
    let options = Options {
        // Release before the start: no ball in the hand.
        events: Some(events_at([0.01, 0.02, 0.03, -1.0])),
        ..Options::without_doubt()
    };
    let measures = measure(&import.smoothed.trajectory, &right_hander(), &options);
    let inside = ENDS..engine.times.len() - ENDS;
    let ours = |id: &str| -> Vec<f64> {
        let curve = measures.curves.iter().find(|c| c.id == id).unwrap();
        inside.clone().map(|i| curve.values[i].unwrap()).collect()
    };
    let largest = |values: &[f64]| values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let check = |id: &str, got: &[f64], want: &[f64], size: f64| {
        let off: Vec<f64> = got.iter().zip(want).map(|(a, b)| a - b).collect();
        let share = largest(&off) / size;
        assert!(share < SHARE, "{id}: off by {share:.5} of {size}");
        share
    };
    let (mut worst, mut checked) = (0.0_f64, 0);
    for (id, values) in &engine.columns {
        let theirs = &values[inside.clone()];
        if id.ends_with("_energy_j_kg") {
            // Rotational energies of light segments are judged by the segment's whole energy.
            let segment = id
                .replace("_linear_energy_j_kg", "")
                .replace("_rotational_energy_j_kg", "");
            let size = ["linear", "rotational"]
                .iter()
                .filter_map(|part| engine.columns.get(&format!("{segment}_{part}_energy_j_kg")))
                .map(|part| largest(&part[inside.clone()]))
                .fold(0.0, f64::max)
                .max(if segment == *id { largest(theirs) } else { 0.0 });
            worst = worst.max(check(id, &ours(id), theirs, size));
            checked += 1;
        } else if id.contains("_velocity_") && id.ends_with("_m_s") && !id.starts_with("centre_of_mass") {
            let axes = ["x", "y", "z"].map(|a| format!("{}{a}_m_s", &id[..id.len() - 5]));
            let size = axes
                .iter()
                .map(|a| largest(&engine.columns[a][inside.clone()]))
                .fold(0.0, f64::max);
            worst = worst.max(check(id, &ours(id), theirs, size));
            checked += 1;
        }
    }
    let column = |id: &str| &engine.columns[id][inside.clone()];
    for (ours_id, theirs_id) in [
        (
            "centre_of_mass_forward_speed_m_s",
            "centre_of_mass_velocity_x_m_s",
        ),
        ("centre_of_mass_upward_speed_m_s", "centre_of_mass_velocity_y_m_s"),
        (
            "centre_of_mass_sideways_speed_m_s",
            "centre_of_mass_velocity_z_m_s",
        ),
    ] {
        let size = largest(column("centre_of_mass_velocity_x_m_s"));
        worst = worst.max(check(ours_id, &ours(ours_id), column(theirs_id), size));
    }
    let axes = ["x", "y", "z"].map(|a| column(&format!("trunk_angular_velocity_{a}_deg_s")));
    let overall: Vec<f64> = (0..axes[0].len())
        .map(|i| axes.iter().map(|a| a[i] * a[i]).sum::<f64>().sqrt())
        .collect();
    let size = largest(&overall);
    for (id, theirs) in [
        ("trunk_rotation_speed_deg_s", axes[1]),
        ("trunk_angular_speed_deg_s", &overall[..]),
    ] {
        worst = worst.max(check(id, &ours(id), theirs, size));
    }
    println!(
        "against the physics engine: largest difference {:.3} % over {checked} columns",
        100.0 * worst
    );
    assert_eq!(checked, 14 * 3 + 14 * 2 + 1);
}
