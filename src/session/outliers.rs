//! Deliveries unlike the others, by a rule that they themselves cannot spoil.
//!
//! The modified z-score of Iglewicz and Hoaglin (How to Detect and Handle Outliers, 1993; cited from memory): the distance
//! from the median over the median distance, times 0.6745. Its usual limit, 3.5, is for many values: of ten ordinary ones
//! it names one in every eighth figure (`fixtures/session`), some eight of a delivery's sixty figures. So the limit here
//! grows as the values get fewer, until chance alone names something in one figure of a hundred; below five values nothing
//! is named. And a difference that the measuring doubt explains is none.

use crate::session::spread::{COMMON_SHARE, median};

/// With fewer values none is named.
pub const FEWEST_FOR_OUTLIERS: usize = 5;

/// Share of figures in which chance alone names a delivery, at most.
pub const FALSE_ALARM_SHARE: f64 = 0.01;

/// 75 % quantile of the standard normal distribution: makes the median distance comparable with a standard deviation.
const MEDIAN_DISTANCE_OF_NORMAL: f64 = 0.6745;

/// Square root of half of pi: makes the mean distance comparable with a standard deviation, where the median one is zero.
const SD_OVER_MEAN_DISTANCE: f64 = 1.253_314;

/// The usual limit of the modified z-score.
const USUAL_LIMIT: f64 = 3.5;

/// Half width of an interval that holds 95 %.
const TWO_SIDED_95: f64 = 1.96;

/// From which number of values on which limit: the largest modified z-score of so many ordinary values is above it in one
/// of a hundred cases. Made by simulation, `fixtures/session/outlier_limits.py`, rounded up.
const LIMITS: [(usize, f64); 17] = [
    (5, 18.8),
    (6, 10.7),
    (8, 8.3),
    (10, 7.1),
    (12, 6.5),
    (14, 6.0),
    (16, 5.7),
    (18, 5.5),
    (20, 5.3),
    (22, 5.2),
    (24, 5.1),
    (28, 4.9),
    (33, 4.8),
    (40, 4.6),
    (50, 4.5),
    (60, 4.4),
    (80, 4.35),
];

/// A delivery unlike the others in one figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlier {
    /// Which delivery, as index into the session's.
    pub delivery: usize,
    /// Identifier of the metric.
    pub id: String,
    /// Its value there.
    pub value: f64,
    /// The median of all.
    pub median: f64,
    /// How far it stands out: modified z-score, with the sign of the difference.
    pub modified_z: f64,
}

/// Above which modified z-score one of `n` values is named; `None` where none is named.
#[must_use]
pub fn outlier_limit(n: usize) -> Option<f64> {
    let last = LIMITS.iter().rev().find(|(from, _)| n >= *from)?;
    Some(last.1)
}

/// The outliers of one figure among (delivery, value, standard deviation); `None` where they are too few to say.
pub(super) fn outliers(id: &str, values: &[(usize, f64, Option<f64>)]) -> Option<Vec<Outlier>> {
    let limit = outlier_limit(values.len())?;
    let mut sorted: Vec<f64> = values.iter().map(|v| v.1).collect();
    sorted.sort_by(f64::total_cmp);
    let middle = median(&sorted)?;
    let mut distances: Vec<f64> = sorted.iter().map(|v| (v - middle).abs()).collect();
    distances.sort_by(f64::total_cmp);
    let median_distance = median(&distances)?;
    let mean_distance = distances.iter().sum::<f64>() / distances.len() as f64;
    let (scale, limit) = if median_distance > 0.0 {
        (median_distance / MEDIAN_DISTANCE_OF_NORMAL, limit)
    } else {
        // More than half are the same number: simulated limits do not hold.
        (SD_OVER_MEAN_DISTANCE * mean_distance, USUAL_LIMIT)
    };
    if scale <= 0.0 {
        return Some(Vec::new());
    }
    let found = values.iter().filter_map(|&(delivery, value, sd)| {
        let modified_z = (value - middle) / scale;
        let explained = TWO_SIDED_95 * (1.0 - COMMON_SHARE).sqrt() * sd.unwrap_or(0.0);
        (modified_z.abs() > limit && (value - middle).abs() > explained).then(|| Outlier {
            delivery,
            id: id.to_owned(),
            value,
            median: middle,
            modified_z,
        })
    });
    Some(found.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(values: &[f64], sd: f64) -> Option<Vec<usize>> {
        let values: Vec<_> = values
            .iter()
            .enumerate()
            .map(|(i, v)| (i, *v, Some(sd)))
            .collect();
        Some(outliers("x_deg", &values)?.iter().map(|o| o.delivery).collect())
    }

    #[test]
    fn one_far_away_is_named_and_few_are_not_judged() {
        let values = [10.1, 9.8, 10.0, 10.3, 30.0, 9.9, 10.2, 9.7];
        assert_eq!(named(&values, 0.5), Some(vec![4]));
        assert_eq!(named(&values[1..5], 0.5), None, "four are too few");
    }

    #[test]
    fn what_the_doubt_explains_is_not_named() {
        let values = [10.1, 9.8, 10.0, 10.3, 14.0, 9.9, 10.2, 9.7];
        assert_eq!(named(&values, 0.5), Some(vec![4]));
        assert_eq!(named(&values, 8.0), Some(vec![]));
    }

    #[test]
    fn equal_values_are_no_riddle() {
        assert_eq!(named(&[3.0; 6], 0.5), Some(vec![]));
        assert_eq!(named(&[3.0, 3.0, 3.0, 3.0, 3.0, 9.0], 0.5), Some(vec![5]));
    }

    #[test]
    fn the_limit_falls_with_more_values_and_never_below_the_usual_one() {
        assert_eq!(outlier_limit(FEWEST_FOR_OUTLIERS - 1), None);
        let limits: Vec<f64> = (FEWEST_FOR_OUTLIERS..200).filter_map(outlier_limit).collect();
        assert!(limits.windows(2).all(|pair| pair[1] <= pair[0]));
        assert!(limits.iter().all(|limit| *limit >= USUAL_LIMIT));
    }
}
