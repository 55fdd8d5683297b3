//! Small charts: a figure's value in each delivery, in order of time, with its doubt; mean and spread behind them.

use maud::{Markup, html};

use crate::quality::Status;
use crate::report::numbers::{doubt_of, with_unit};
use crate::store::{SessionMetricRecord, SessionValueRecord};

/// Size in SVG units.
const WIDTH: f64 = 190.0;
const HEIGHT: f64 = 44.0;
/// Free edge.
const EDGE: f64 = 7.0;

/// Where values lie in the chart.
struct Scale {
    low: f64,
    high: f64,
    count: usize,
}

impl Scale {
    fn x(&self, delivery: usize) -> f64 {
        let step = (WIDTH - 2.0 * EDGE) / self.count as f64;
        // Few deliveries stand close together at the left, so that charts of one page compare.
        EDGE + step * (delivery as f64 - 0.5)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        HEIGHT - EDGE - share * (HEIGHT - 2.0 * EDGE)
    }
}

/// The chart of one figure; empty where there is no value. `outliers` are numbers of deliveries.
pub(super) fn strip(name: &str, metric: &SessionMetricRecord, outliers: &[usize]) -> Markup {
    let known: Vec<(&SessionValueRecord, f64)> =
        metric.values.iter().filter_map(|v| Some((v, v.value?))).collect();
    let ends = known.iter().flat_map(|(v, value)| {
        let sd = v.sd.unwrap_or(0.0);
        [value - sd, value + sd]
    });
    let ends = ends.chain(band(metric).into_iter().flatten());
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    if known.is_empty() {
        return html! {};
    }
    // All the same and without doubt: a line in the middle.
    let room = if high > low { 0.0 } else { low.abs().max(1.0) };
    let scale = Scale {
        low: low - room,
        high: high + room,
        count: metric.values.len(),
    };
    html! {
        svg.strip viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label={ (name) ", delivery by delivery" } {
            @if let Some([low, high]) = band(metric) {
                rect.band x="0" width=(WIDTH) y=(px(scale.y(high))) height=(px((scale.y(low) - scale.y(high)).max(0.5))) {}
            }
            @if let Some(mean) = metric.mean {
                line.mean x1="0" x2=(WIDTH) y1=(px(scale.y(mean))) y2=(px(scale.y(mean))) {}
            }
            @for (v, value) in &known {
                @let x = px(scale.x(v.delivery));
                g class=(kind(v, outliers)) {
                    title { "No. " (v.delivery) ": " (spoken(v, *value, &metric.unit)) }
                    @if let Some(sd) = v.sd {
                        line x1=(x) x2=(x) y1=(px(scale.y(value - sd))) y2=(px(scale.y(value + sd))) {}
                    }
                    circle cx=(x) cy=(px(scale.y(*value))) r="3.2" {}
                }
            }
        }
    }
}

/// Mean and spread.
fn band(metric: &SessionMetricRecord) -> Option<[f64; 2]> {
    let (mean, sd) = (metric.mean?, metric.sd?);
    Some([mean - sd, mean + sd])
}

fn kind(value: &SessionValueRecord, outliers: &[usize]) -> &'static str {
    if outliers.contains(&value.delivery) {
        "one odd"
    } else if value.status == Status::Doubtful {
        "one unsafe"
    } else {
        "one"
    }
}

fn spoken(value: &SessionValueRecord, number: f64, unit: &str) -> String {
    let doubt = value
        .sd
        .map_or_else(String::new, |sd| format!(" {}", doubt_of(sd, unit)));
    let note = match (value.status, value.used) {
        (Status::Doubtful, true) => ", doubtful",
        (Status::Doubtful, false) => ", doubtful, not in the mean",
        _ => "",
    };
    format!("{}{doubt}{note}", with_unit(number, unit))
}

fn px(length: f64) -> String {
    format!("{length:.1}")
}
