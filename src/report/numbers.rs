//! Numbers as people read them: as many digits as the doubt allows, a real minus sign, units in their usual signs.

use crate::store::MetricRecord;
use crate::units::rounded_doubt;

pub(super) use crate::units::{rounded, unit_sign, with_unit};

/// A metric's doubt, for instance `± 4`; empty when there is none.
pub(super) fn doubt(metric: &MetricRecord) -> String {
    metric
        .sd
        .map_or_else(String::new, |sd| doubt_of(sd, &metric.unit))
}

/// A standard deviation, for instance `± 4`.
pub(super) fn doubt_of(sd: f64, unit: &str) -> String {
    format!("± {}", rounded_doubt(sd, unit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::Status;

    #[test]
    fn numbers_are_rounded_to_their_unit() {
        assert_eq!(with_unit(112.4, "deg"), "112°");
        assert_eq!(with_unit(-3.6, "deg"), "\u{2212}4°");
        assert_eq!(with_unit(-0.3, "deg"), "0°");
        assert_eq!(with_unit(21.44, "m/s"), "21.4\u{a0}m/s");
        assert_eq!(with_unit(0.1449, "s"), "0.145\u{a0}s");
    }

    #[test]
    fn a_doubt_is_never_rounded_to_nothing() {
        let mut metric = MetricRecord {
            id: String::new(),
            value: Some(1.0),
            sd: Some(0.0004),
            unit: "m".to_owned(),
            event: None,
            status: Status::Measured,
            reason: None,
            reference: None,
            bandwidth_hz: None,
        };
        assert_eq!(doubt(&metric), "± 0.01");
        metric.sd = Some(0.034);
        assert_eq!(doubt(&metric), "± 0.03");
        metric.sd = None;
        assert_eq!(doubt(&metric), "");
    }
}
