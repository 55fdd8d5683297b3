//! Numbers as people read them: as many digits as the doubt allows, a real minus sign, units in their usual signs.

use crate::store::MetricRecord;

/// A value with its unit, for instance `112°` or `21.4 m/s`; they never part at a line end.
pub(super) fn with_unit(value: f64, unit: &str) -> String {
    match unit {
        "deg" => format!("{}°", rounded(value, unit)),
        "deg/s" => format!("{}\u{a0}°/s", rounded(value, unit)),
        "%" => format!("{}\u{a0}%", rounded(value, unit)),
        _ => format!("{}\u{a0}{unit}", rounded(value, unit)),
    }
}

/// The sign of a unit on a page.
pub(super) fn unit_sign(unit: &str) -> &str {
    match unit {
        "deg" => "°",
        "deg/s" => "°/s",
        other => other,
    }
}

/// A value without its unit.
pub(super) fn rounded(value: f64, unit: &str) -> String {
    let digits = match unit {
        "deg" | "deg/s" | "J" => 0,
        "m/s" | "%" => 1,
        "m" | "J/kg" => 2,
        _ => 3,
    };
    let text = format!("{:.digits$}", value.abs());
    // A minus before nothing but zeros says nothing.
    if value < 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("\u{2212}{text}")
    } else {
        text
    }
}

/// A metric's doubt, for instance `± 4`; empty when there is none.
pub(super) fn doubt(metric: &MetricRecord) -> String {
    metric
        .sd
        .map_or_else(String::new, |sd| doubt_of(sd, &metric.unit))
}

/// A standard deviation, for instance `± 4`. One that rounds to nothing is still a doubt: one unit of the last digit.
pub(super) fn doubt_of(sd: f64, unit: &str) -> String {
    let text = rounded(sd, unit);
    let zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    let text = if zero && sd > 0.0 { smallest(&text) } else { text };
    format!("± {text}")
}

/// `0.00` -> `0.01`, `0` -> `1`.
fn smallest(zeros: &str) -> String {
    let mut text = zeros.to_owned();
    text.pop();
    text.push('1');
    text
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
