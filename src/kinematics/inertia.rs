//! Body-segment inertial parameters: de Leva 1996 (adjusted Zatsiorsky-Seluyanov), young adults.
//!
//! de Leva P. J Biomech 1996;29(9):1223-1230, doi 10.1016/0021-9290(95)00178-6; digits as in the course data files
//! `BSPmale_ZdeLeva.txt` and `BSPfemale_ZdeLeva.txt` of BMClab/BMC.

use serde::{Deserialize, Serialize};

/// Whose parameters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sex {
    /// Men's.
    #[default]
    Male,
    /// Women's.
    Female,
}

/// A kind of segment, with the end points of its row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SegmentKind {
    /// Top of the head to C7 (VERT-CERV).
    Head,
    /// Mid-shoulders to mid-hips (MIDS-MIDH).
    Trunk,
    /// Shoulder to elbow (SJC-EJC).
    UpperArm,
    /// Elbow to wrist (EJC-WJC).
    Forearm,
    /// Wrist to third knuckle (WJC-MET3).
    Hand,
    /// Hip to knee (HJC-KJC).
    Thigh,
    /// Knee to ankle (KJC-AJC).
    Shank,
    /// Heel to the tip of the toes (HEEL-TTIP).
    Foot,
}

/// One row of the table, percent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Mass, percent of body mass.
    pub mass_pct: f64,
    /// Centre of mass from the first-named end, percent of segment length.
    pub centre_pct: f64,
    /// Radius of gyration about the antero-posterior axis, percent of length.
    pub sagittal_pct: f64,
    /// Radius of gyration about the medio-lateral axis, percent of length.
    pub transverse_pct: f64,
    /// Radius of gyration about the long axis, percent of length.
    pub longitudinal_pct: f64,
}

/// The parameters of a segment.
#[must_use]
pub fn row(kind: SegmentKind, sex: Sex) -> Row {
    let digits = match (kind, sex) {
        (SegmentKind::Head, Sex::Male) => [6.94, 50.02, 30.3, 31.5, 26.1],
        (SegmentKind::Head, Sex::Female) => [6.68, 48.41, 27.1, 29.5, 26.1],
        (SegmentKind::Trunk, Sex::Male) => [43.46, 43.10, 38.4, 35.8, 19.7],
        (SegmentKind::Trunk, Sex::Female) => [42.57, 37.82, 37.9, 36.1, 18.2],
        (SegmentKind::UpperArm, Sex::Male) => [2.71, 57.72, 28.5, 26.9, 15.8],
        (SegmentKind::UpperArm, Sex::Female) => [2.55, 57.54, 27.8, 26.0, 14.8],
        (SegmentKind::Forearm, Sex::Male) => [1.62, 45.74, 27.6, 26.5, 12.1],
        (SegmentKind::Forearm, Sex::Female) => [1.38, 45.59, 26.1, 25.7, 9.4],
        (SegmentKind::Hand, Sex::Male) => [0.61, 79.00, 62.8, 51.3, 40.1],
        (SegmentKind::Hand, Sex::Female) => [0.56, 74.74, 53.1, 45.4, 33.5],
        (SegmentKind::Thigh, Sex::Male) => [14.16, 40.95, 32.9, 32.9, 14.9],
        (SegmentKind::Thigh, Sex::Female) => [14.78, 36.12, 36.9, 36.4, 16.2],
        (SegmentKind::Shank, Sex::Male) => [4.33, 43.95, 25.1, 24.6, 10.2],
        (SegmentKind::Shank, Sex::Female) => [4.81, 43.52, 26.7, 26.3, 9.2],
        (SegmentKind::Foot, Sex::Male) => [1.37, 44.15, 25.7, 24.5, 12.4],
        (SegmentKind::Foot, Sex::Female) => [1.29, 40.14, 29.9, 27.9, 13.9],
    };
    Row {
        mass_pct: digits[0],
        centre_pct: digits[1],
        sagittal_pct: digits[2],
        transverse_pct: digits[3],
        longitudinal_pct: digits[4],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_body_weighs_one_body() {
        let twice = |k| matches!(k, SegmentKind::Head | SegmentKind::Trunk);
        let kinds = [
            SegmentKind::Head,
            SegmentKind::Trunk,
            SegmentKind::UpperArm,
            SegmentKind::Forearm,
            SegmentKind::Hand,
            SegmentKind::Thigh,
            SegmentKind::Shank,
            SegmentKind::Foot,
        ];
        // Sums as printed beside the table's source: 100.00 men, 99.99 women.
        for (sex, sum_pct) in [(Sex::Male, 100.00), (Sex::Female, 99.99)] {
            let sum: f64 = kinds
                .iter()
                .map(|&k| row(k, sex).mass_pct * if twice(k) { 1.0 } else { 2.0 })
                .sum();
            assert!((sum - sum_pct).abs() < 1e-9, "{sex:?}: {sum}");
        }
    }

    #[test]
    fn three_rows_have_the_published_digits() {
        // de Leva 1996 as in BSPmale_ZdeLeva.txt and BSPfemale_ZdeLeva.txt.
        let shank = row(SegmentKind::Shank, Sex::Female);
        assert_eq!(
            (shank.mass_pct, shank.centre_pct, shank.longitudinal_pct),
            (4.81, 43.52, 9.2)
        );
        let trunk = row(SegmentKind::Trunk, Sex::Male);
        assert_eq!(
            (trunk.centre_pct, trunk.sagittal_pct, trunk.transverse_pct),
            (43.10, 38.4, 35.8)
        );
        let hand = row(SegmentKind::Hand, Sex::Male);
        assert_eq!(
            (hand.mass_pct, hand.centre_pct, hand.sagittal_pct),
            (0.61, 79.00, 62.8)
        );
    }
}
