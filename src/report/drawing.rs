//! Line drawings true to scale, in millimetres, and how they become SVG and PDF.
//!
//! A [`Sheet`] is a page with [`Mark`]s on it; (0, 0) is its top left corner, y runs down. One drawing gives both formats,
//! so they cannot differ.

use std::fmt::Write;

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

/// PDF's unit: 72 points an inch of 25.4 mm (ISO 32000-1, 8.3.2.3).
const POINTS_PER_MM: f64 = 72.0 / 25.4;
/// A circle's quarter as a Bezier curve: the length of its handles, of the radius.
const QUARTER: f64 = 0.552_284_75;

/// Something drawn.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Mark {
    /// A filled rectangle: left, top, width, height.
    Box { at: [f64; 4], grey: f64 },
    /// A line of a width through points.
    Line {
        through: Vec<[f64; 2]>,
        width: f64,
        grey: f64,
    },
    /// A circle's outline.
    Ring {
        centre: [f64; 2],
        radius: f64,
        width: f64,
    },
    /// Words that begin at a point of the base line, in plain letters of a size.
    Words { at: [f64; 2], size: f64, text: String },
    /// A window (left, top, width, height) onto a drawing moved by `shift`.
    Part {
        window: [f64; 4],
        shift: [f64; 2],
        marks: Vec<Mark>,
    },
}

/// One page.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sheet {
    pub(crate) width_mm: f64,
    pub(crate) height_mm: f64,
    pub(crate) marks: Vec<Mark>,
}

/// A number without a tail of noughts: exact to a micrometre.
fn mm(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

fn svg_grey(grey: f64) -> String {
    let level = (grey * 255.0).round() as u8;
    format!("#{level:02x}{level:02x}{level:02x}")
}

impl Sheet {
    /// The page as SVG with millimetre units.
    pub(crate) fn to_svg(&self) -> String {
        let (w, h) = (mm(self.width_mm), mm(self.height_mm));
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">\
             <rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/>"
        );
        self.marks.iter().for_each(|mark| mark.to_svg(&mut svg));
        svg.push_str("</svg>");
        svg
    }
}

impl Mark {
    /// Words at a place.
    pub(crate) fn words(x: f64, y: f64, size: f64, text: impl Into<String>) -> Self {
        Self::Words {
            at: [x, y],
            size,
            text: text.into(),
        }
    }

    /// A black line between two points.
    pub(crate) fn line(from: [f64; 2], to: [f64; 2], width: f64) -> Self {
        Self::Line {
            through: vec![from, to],
            width,
            grey: 0.0,
        }
    }

    fn to_svg(&self, svg: &mut String) {
        // Writing to a String cannot fail.
        let _ = match self {
            Self::Box { at, grey } => {
                let [x, y, w, h] = at.map(mm);
                write!(
                    svg,
                    "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" fill=\"{}\"/>",
                    svg_grey(*grey)
                )
            }
            Self::Line { through, width, grey } => {
                let points: Vec<String> = through
                    .iter()
                    .map(|p| format!("{},{}", mm(p[0]), mm(p[1])))
                    .collect();
                write!(
                    svg,
                    "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width}\"/>",
                    points.join(" "),
                    svg_grey(*grey)
                )
            }
            Self::Ring {
                centre,
                radius,
                width,
            } => write!(
                svg,
                "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"none\" stroke=\"#000\" stroke-width=\"{width}\"/>",
                mm(centre[0]),
                mm(centre[1]),
                mm(*radius)
            ),
            Self::Words { at, size, text } => write!(
                svg,
                "<text x=\"{}\" y=\"{}\" font-family=\"Helvetica,Arial,sans-serif\" font-size=\"{size}\">{}</text>",
                mm(at[0]),
                mm(at[1]),
                text.replace('&', "&amp;").replace('<', "&lt;")
            ),
            Self::Part { window, shift, marks } => {
                let [x, y, w, h] = window.map(mm);
                let (from_x, from_y) = (mm(x - shift[0]), mm(y - shift[1]));
                let opened = write!(
                    svg,
                    "<svg x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" viewBox=\"{from_x} {from_y} {w} {h}\">"
                );
                marks.iter().for_each(|mark| mark.to_svg(svg));
                svg.push_str("</svg>");
                opened
            }
        };
    }

    fn to_pdf(&self, content: &mut Content) {
        match self {
            Self::Box { at, grey } => {
                content.set_fill_gray(*grey as f32);
                let [x, y, w, h] = at.map(|v| v as f32);
                content.rect(x, y, w, h).fill_nonzero();
            }
            Self::Line { through, width, grey } => {
                content
                    .set_stroke_gray(*grey as f32)
                    .set_line_width(*width as f32);
                for (i, p) in through.iter().enumerate() {
                    let (x, y) = (p[0] as f32, p[1] as f32);
                    if i == 0 {
                        content.move_to(x, y);
                    } else {
                        content.line_to(x, y);
                    }
                }
                content.stroke();
            }
            Self::Ring {
                centre,
                radius,
                width,
            } => {
                content.set_stroke_gray(0.0).set_line_width(*width as f32);
                let at = |x: f64, y: f64| ((centre[0] + x * radius) as f32, (centre[1] + y * radius) as f32);
                let (x, y) = at(1.0, 0.0);
                content.move_to(x, y);
                for turn in 0..4 {
                    let (sin, cos) = (f64::from(turn) * std::f64::consts::FRAC_PI_2).sin_cos();
                    // The quarter from angle 0, turned.
                    let turned = |x: f64, y: f64| at(x * cos - y * sin, x * sin + y * cos);
                    let (a, b, c) = (turned(1.0, QUARTER), turned(QUARTER, 1.0), turned(0.0, 1.0));
                    content.cubic_to(a.0, a.1, b.0, b.1, c.0, c.1);
                }
                content.close_and_stroke();
            }
            Self::Words { at, size, text } => {
                content.set_fill_gray(0.0);
                // The page is drawn y down; letters stand y up.
                content.begin_text().set_font(FONT, *size as f32);
                content.set_text_matrix([1.0, 0.0, 0.0, -1.0, at[0] as f32, at[1] as f32]);
                content.show(Str(text.as_bytes())).end_text();
            }
            Self::Part { window, shift, marks } => {
                let [x, y, w, h] = window.map(|v| v as f32);
                content.save_state().rect(x, y, w, h).clip_nonzero().end_path();
                content.transform([1.0, 0.0, 0.0, 1.0, shift[0] as f32, shift[1] as f32]);
                marks.iter().for_each(|mark| mark.to_pdf(content));
                content.restore_state();
            }
        }
    }
}

const FONT: Name = Name(b"F1");

/// Pages as one PDF that asks its reader to print at 100 %. Words must be plain ASCII: the font is one that every reader has.
pub(crate) fn to_pdf(title: &str, sheets: &[Sheet]) -> Vec<u8> {
    let mut next = 0;
    let mut fresh = || {
        next += 1;
        Ref::new(next)
    };
    let (catalog, tree, font, info) = (fresh(), fresh(), fresh(), fresh());
    let pages: Vec<(Ref, Ref)> = sheets.iter().map(|_| (fresh(), fresh())).collect();
    let mut pdf = Pdf::new();
    let mut root = pdf.catalog(catalog);
    root.pages(tree);
    root.viewer_preferences()
        .pair(Name(b"PrintScaling"), Name(b"None"));
    root.finish();
    pdf.document_info(info).title(TextStr(title));
    pdf.pages(tree)
        .kids(pages.iter().map(|p| p.0))
        .count(pages.len() as i32);
    pdf.type1_font(font).base_font(Name(b"Helvetica"));
    for (sheet, (page, content_id)) in sheets.iter().zip(&pages) {
        let (w, h) = (sheet.width_mm * POINTS_PER_MM, sheet.height_mm * POINTS_PER_MM);
        let mut entry = pdf.page(*page);
        entry
            .media_box(Rect::new(0.0, 0.0, w as f32, h as f32))
            .parent(tree)
            .contents(*content_id);
        entry.resources().fonts().pair(FONT, font);
        entry.finish();
        let mut content = Content::new();
        let scale = POINTS_PER_MM as f32;
        content.transform([scale, 0.0, 0.0, -scale, 0.0, h as f32]);
        sheet.marks.iter().for_each(|mark| mark.to_pdf(&mut content));
        pdf.stream(*content_id, &content.finish());
    }
    pdf.finish()
}
