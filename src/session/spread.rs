//! Mean, spread and doubt of one figure over several deliveries.

/// Share of a delivery's variance of measurement that all deliveries of a session are taken to have in common. A choice of
/// ours after rendered recordings: of 13 angles of a right-hander's and a left-hander's (other body, other phones) 79 % of
/// the mean square error is common (`fixtures/session/common_share.py`). One athlete before one rig has more in common,
/// not less; [`Spread::mean_sd`] takes more where the deliveries show it.
pub const COMMON_SHARE: f64 = 0.8;

/// Two figures of one standard deviation each differ by chance by less than this many of them, nineteen times in twenty:
/// 1.96 for 95 % times the root of two, as there are two (minimal detectable change; Weir 2005, J Strength Cond Res 19:231,
/// and Bland and Altman 1996, BMJ 312:1654, where 2.77 times the within-subject standard deviation is the repeatability;
/// both cited from memory).
pub const CHANGE_FACTOR: f64 = 1.96 * std::f64::consts::SQRT_2;

/// With fewer values a smallest change is not given: the standard deviation of two says next to nothing.
pub const FEWEST_FOR_CHANGE: usize = 3;

/// One figure over several deliveries; everything in the figure's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Number of values.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Standard deviation of the mean: `sqrt(sd^2 / n + common^2)`, where `common^2` is [`COMMON_SHARE`] of
    /// `measurement_sd^2`, or `measurement_sd^2 - sd^2` if that is more: values closer together than their doubts cannot
    /// differ by those doubts, so the doubts are common to them. Of one value its own. `None` for one value without doubt.
    pub mean_sd: Option<f64>,
    /// Standard deviation between the deliveries (of the sample, over n - 1); `None` for one value.
    pub sd: Option<f64>,
    /// Root mean square of the deliveries' own standard deviations; `None` where none is stated.
    pub measurement_sd: Option<f64>,
    /// What of the spread is the athlete's at least, were no doubt common to all: `sqrt(max(0, sd^2 - measurement_sd^2))`.
    pub athlete_sd_at_least: Option<f64>,
    /// Middle value.
    pub median: f64,
    /// Least value.
    pub min: f64,
    /// Greatest value.
    pub max: f64,
    /// Smallest change worth believing between two deliveries of such a session: [`CHANGE_FACTOR`] times `sd`, where the
    /// spread is taken for no less than the part of the measuring doubt that differs from delivery to delivery.
    pub change_of_deliveries: Option<f64>,
    /// The same between the means of two such sessions of n deliveries: [`CHANGE_FACTOR`] times `mean_sd`. What is common
    /// to one session counts as another in the next, as a new calibration makes it.
    pub change_of_sessions: Option<f64>,
}

/// Sums up values with their standard deviations; `None` without any value. The order of the values does not matter.
#[must_use]
pub fn spread(values: &[(f64, Option<f64>)]) -> Option<Spread> {
    let mut sorted: Vec<f64> = values.iter().map(|v| v.0).collect();
    sorted.sort_by(f64::total_cmp);
    let (&min, &max) = (sorted.first()?, sorted.last()?);
    let n = sorted.len();
    let count = n as f64;
    // About the median, so that figures far from zero lose no digits.
    let median = median(&sorted)?;
    let mean = median + sorted.iter().map(|v| v - median).sum::<f64>() / count;
    let sd = (n > 1).then(|| {
        let squares: f64 = sorted.iter().map(|v| (v - mean).powi(2)).sum();
        (squares / (count - 1.0)).sqrt()
    });
    let mut doubts: Vec<f64> = values.iter().filter_map(|v| v.1).collect();
    doubts.sort_by(f64::total_cmp);
    let measurement_sd = (!doubts.is_empty())
        .then(|| (doubts.iter().map(|sd| sd * sd).sum::<f64>() / doubts.len() as f64).sqrt());
    let doubt = measurement_sd.unwrap_or(0.0);
    let mean_sd = match sd {
        None => measurement_sd,
        Some(sd) => {
            let common = (COMMON_SHARE * doubt * doubt).max(doubt * doubt - sd * sd);
            Some((sd * sd / count + common).sqrt())
        }
    };
    let own_doubt = (1.0 - COMMON_SHARE).sqrt() * doubt;
    let enough = n >= FEWEST_FOR_CHANGE;
    Some(Spread {
        n,
        mean,
        mean_sd,
        sd,
        measurement_sd,
        athlete_sd_at_least: sd
            .zip(measurement_sd)
            .map(|(sd, doubt)| (sd * sd - doubt * doubt).max(0.0).sqrt()),
        median,
        min,
        max,
        change_of_deliveries: sd.filter(|_| enough).map(|sd| CHANGE_FACTOR * sd.max(own_doubt)),
        change_of_sessions: mean_sd.filter(|_| enough).map(|sd| CHANGE_FACTOR * sd),
    })
}

/// Middle of sorted values.
pub(super) fn median(sorted: &[f64]) -> Option<f64> {
    let half = sorted.len() / 2;
    let upper = *sorted.get(half)?;
    Some(if sorted.len() % 2 == 1 {
        upper
    } else {
        0.5 * (sorted[half - 1] + upper)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_common_does_not_shrink() {
        let many: Vec<(f64, Option<f64>)> = (0..1000).map(|i| (f64::from(i % 7), Some(3.0))).collect();
        let mean_sd = spread(&many).unwrap().mean_sd.unwrap();
        assert!(mean_sd >= 3.0 * COMMON_SHARE.sqrt(), "{mean_sd}");
    }

    #[test]
    fn values_closer_than_their_doubts_share_them() {
        let same = [(5.0, Some(3.0)); 10];
        let spread = spread(&same).unwrap();
        assert_eq!((spread.sd, spread.mean_sd), (Some(0.0), Some(3.0)));
        assert_eq!(spread.athlete_sd_at_least, Some(0.0));
        assert!(spread.change_of_deliveries.unwrap() > 0.0);
    }

    #[test]
    fn one_value_has_its_own_doubt_and_no_spread() {
        let one = spread(&[(5.0, Some(3.0))]).unwrap();
        assert_eq!((one.mean_sd, one.sd), (Some(3.0), None));
        assert_eq!((one.change_of_deliveries, one.change_of_sessions), (None, None));
        assert_eq!(spread(&[]), None);
        assert_eq!(spread(&[(5.0, None)]).unwrap().mean_sd, None);
    }

    #[test]
    fn two_values_have_a_spread_but_no_smallest_change() {
        let two = spread(&[(5.0, Some(0.1)), (7.0, None)]).unwrap();
        assert!((two.sd.unwrap() - std::f64::consts::SQRT_2).abs() < 1e-12);
        assert_eq!(two.measurement_sd, Some(0.1), "of those that state one");
        assert_eq!(two.change_of_deliveries, None);
    }
}
