//! Curves over time as SVG, with the events marked by their letters.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::report::content::DeliveryContent;
use crate::report::labels::event_letter;
use crate::report::numbers::unit_sign;
use crate::report::{Curve, ReportError};

/// Size in SVG units; drawn small so that text stays readable when a phone shows it full width.
const SIZE: (u32, u32) = (460, 270);

/// The drawing library rounds to whole units; so many of them make one, or curves would look jagged.
const FINE: u32 = 8;

/// Ink of axes and text.
const INK: RGBColor = RGBColor(0x4a, 0x55, 0x5e);
/// Lines behind the curves.
const FAINT: RGBColor = RGBColor(0xe4, 0xe1, 0xd8);
/// Marks of the events.
const MARK: RGBColor = RGBColor(0x8a, 0x93, 0x9b);

/// The stretch of time that a chart shows.
#[derive(Clone, Copy)]
enum Window {
    /// From shortly before contact to shortly after release.
    Throw,
    /// From knee lift to shortly after release.
    Delivery,
}

/// One curve of a chart.
pub(super) struct Line {
    /// Id of the curve.
    pub(super) id: &'static str,
    /// Its name in the legend.
    pub(super) name: &'static str,
    /// Its colour.
    pub(super) colour: (u8, u8, u8),
}

/// What a chart shows.
pub(super) struct Panel {
    /// Heading.
    pub(super) title: &'static str,
    /// What is drawn and what its zero means.
    pub(super) meaning: &'static str,
    window: Window,
    /// The curves, all of one unit.
    pub(super) lines: &'static [Line],
}

const CLAY: (u8, u8, u8) = (0xb8, 0x50, 0x28);
const GRASS: (u8, u8, u8) = (0x2d, 0x6a, 0x4f);
const NIGHT: (u8, u8, u8) = (0x23, 0x4e, 0x78);

/// All charts of a delivery, in order.
pub(super) const PANELS: [Panel; 6] = [
    Panel {
        title: "Turning of pelvis and trunk",
        meaning: "How fast each turns toward the target. Below 0 it turns away.",
        window: Window::Throw,
        lines: &[
            Line {
                id: "pelvis_rotation_speed_deg_s",
                name: "pelvis",
                colour: GRASS,
            },
            Line {
                id: "trunk_rotation_speed_deg_s",
                name: "trunk",
                colour: CLAY,
            },
        ],
    },
    Panel {
        title: "Hand speed",
        meaning: "Speed of the throwing hand's middle knuckle.",
        window: Window::Throw,
        lines: &[Line {
            id: "hand_speed_m_s",
            name: "throwing hand",
            colour: CLAY,
        }],
    },
    Panel {
        title: "Where pelvis and shoulders face",
        meaning: "0° side-on, 90° faces the target. The gap is hip-shoulder separation.",
        window: Window::Throw,
        lines: &[
            Line {
                id: "pelvis_rotation_deg",
                name: "pelvis",
                colour: GRASS,
            },
            Line {
                id: "trunk_rotation_deg",
                name: "shoulder line",
                colour: CLAY,
            },
        ],
    },
    Panel {
        title: "Shoulder and elbow",
        meaning: "Rotation: 90° forearm up, 180° forearm back (layback). Bend: 0° straight.",
        window: Window::Throw,
        lines: &[
            Line {
                id: "shoulder_external_rotation_deg",
                name: "shoulder external rotation",
                colour: NIGHT,
            },
            Line {
                id: "elbow_flexion_deg",
                name: "elbow bend",
                colour: CLAY,
            },
        ],
    },
    Panel {
        title: "Elbow extension speed",
        meaning: "How fast the elbow straightens. Below 0 it bends.",
        window: Window::Throw,
        lines: &[Line {
            id: "elbow_extension_speed_deg_s",
            name: "elbow",
            colour: CLAY,
        }],
    },
    Panel {
        title: "Knee bend",
        meaning: "0° straight. A falling line is a knee that straightens.",
        window: Window::Delivery,
        lines: &[
            Line {
                id: "lead_knee_flexion_deg",
                name: "lead knee",
                colour: NIGHT,
            },
            Line {
                id: "drive_knee_flexion_deg",
                name: "drive knee",
                colour: GRASS,
            },
        ],
    },
];

/// Draws a panel; `None` when the delivery has none of its curves in the window.
pub(super) fn draw(panel: &Panel, delivery: &DeliveryContent) -> Result<Option<String>, ReportError> {
    let Some((from_s, to_s, zero_s)) = window(panel.window, delivery) else {
        return Ok(None);
    };
    let curves: Vec<(&Line, &Curve)> = panel
        .lines
        .iter()
        .filter_map(|line| Some((line, delivery.curves.series.iter().find(|c| c.id == line.id)?)))
        .collect();
    let inside = |i: usize| (from_s..=to_s).contains(&delivery.curves.times[i].0);
    let values: Vec<f64> = curves
        .iter()
        .flat_map(|(_, c)| c.values.iter().enumerate())
        .filter_map(|(i, v)| v.filter(|_| i < delivery.curves.times.len() && inside(i)))
        .collect();
    let Some((_, first)) = curves.first() else {
        return Ok(None);
    };
    if values.len() < 2 {
        return Ok(None);
    }
    let low = values.iter().copied().fold(0.0, f64::min);
    let high = values.iter().copied().fold(0.0, f64::max);
    let room = (high - low).max(1e-9) * 0.06;
    let range = (if low < 0.0 { low - room } else { 0.0 })..(high + 2.5 * room);
    let mut svg = String::new();
    picture(
        &mut svg,
        delivery,
        &curves,
        (from_s - zero_s, to_s - zero_s, zero_s),
        range,
        &first.unit,
    )
    .map_err(|why| ReportError::Chart {
        title: panel.title,
        why,
    })?;
    let spoken = format!("<svg role=\"img\" aria-label=\"{} over time\" ", panel.title);
    Ok(Some(svg.replacen("<svg ", &spoken, 1)))
}

/// Start, end and zero of a chart's time, seconds.
fn window(window: Window, delivery: &DeliveryContent) -> Option<(f64, f64, f64)> {
    let (_, zero) = delivery.zero()?;
    let events = &delivery.record.events;
    let contact_s = events.foot_contact.map_or(zero.time_s - 0.15, |e| e.time_s);
    let from_s = match window {
        Window::Throw => contact_s - 0.2,
        Window::Delivery => events.peak_knee_lift.map_or(contact_s - 0.9, |e| e.time_s) - 0.1,
    };
    let end_s = events.ball_release.map_or(contact_s + 0.15, |e| e.time_s) + 0.12;
    Some((from_s, end_s, zero.time_s))
}

/// Axes, events and curves.
fn picture(
    svg: &mut String,
    delivery: &DeliveryContent,
    curves: &[(&Line, &Curve)],
    (from_s, to_s, zero_s): (f64, f64, f64),
    range: std::ops::Range<f64>,
    unit: &str,
) -> Result<(), String> {
    let text = |error: DrawingAreaErrorKind<std::io::Error>| error.to_string();
    let root = SVGBackend::with_string(svg, (SIZE.0 * FINE, SIZE.1 * FINE)).into_drawing_area();
    let top = range.end;
    let mut chart = ChartBuilder::on(&root)
        .margin(6 * FINE)
        .margin_right(12 * FINE)
        .x_label_area_size(24 * FINE)
        .y_label_area_size(48 * FINE)
        .build_cartesian_2d(from_s..to_s, range.clone())
        .map_err(text)?;
    let letters = ("sans-serif", 13 * FINE).into_font().color(&INK);
    let sign = unit_sign(unit).to_owned();
    chart
        .configure_mesh()
        .disable_x_mesh()
        .bold_line_style(FAINT.stroke_width(FINE))
        .light_line_style(TRANSPARENT)
        .axis_style(FAINT.stroke_width(FINE))
        .set_all_tick_mark_size(4 * FINE)
        .x_labels(6)
        .y_labels(6)
        .x_label_formatter(&|x| signed(*x, 2))
        .y_label_formatter(&|y| {
            format!(
                "{}{}{sign}",
                signed(*y, 0),
                if sign == "°" { "" } else { "\u{2009}" }
            )
        })
        .label_style(letters)
        .draw()
        .map_err(text)?;
    if range.start < 0.0 {
        let zero_line = [(from_s, 0.0), (to_s, 0.0)];
        chart
            .draw_series(LineSeries::new(zero_line, MARK.stroke_width(FINE)))
            .map_err(text)?;
    }
    let centred = ("sans-serif", 13 * FINE)
        .into_font()
        .style(FontStyle::Bold)
        .color(&INK)
        .pos(Pos::new(HPos::Center, VPos::Top));
    for (name, event) in delivery.record.events.named() {
        let Some(event) = event else { continue };
        let at_s = event.time_s - zero_s;
        if (from_s..=to_s).contains(&at_s) {
            let mark = [(at_s, range.start), (at_s, top - (top - range.start) * 0.075)];
            chart
                .draw_series(LineSeries::new(mark, MARK.stroke_width(FINE)))
                .map_err(text)?;
            let letter = Text::new(event_letter(name), (at_s, top), centred.clone());
            chart.draw_series(std::iter::once(letter)).map_err(text)?;
        }
    }
    for (line, curve) in curves {
        let (r, g, b) = line.colour;
        let style = RGBColor(r, g, b).stroke_width(2 * FINE);
        let points: Vec<Option<(f64, f64)>> = delivery
            .curves
            .times
            .iter()
            .zip(&curve.values)
            .map(|(t, v)| {
                v.map(|v| (t.0 - zero_s, v))
                    .filter(|(t, _)| (from_s..=to_s).contains(t))
            })
            .collect();
        // A curve ends where its figure is unknown, and goes on after it.
        for stretch in points.split(Option::is_none).filter(|s| s.len() > 1) {
            chart
                .draw_series(LineSeries::new(stretch.iter().flatten().copied(), style))
                .map_err(text)?;
        }
    }
    root.present().map_err(text)
}

/// With a real minus sign, and zero without one.
fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    if value < 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("\u{2212}{text}")
    } else {
        text
    }
}
