//! Where phones and board go, in words and drawn from above.

use crate::calibrate::{GOOD_ANGLE_DEG, Placement};
use crate::geometry::Phone;
use crate::report::drawing::{Mark, Sheet, to_pdf};
use crate::skeleton::Side;

/// The drawing's scale: millimetres a metre.
const SCALE: f64 = 20.0;
const WIDTH_MM: f64 = 297.0;
const HEIGHT_MM: f64 = 238.0;
/// Height of the words, millimetres.
const SIZE_MM: f64 = 4.0;

/// What to set on both phones and to keep in mind. The light: by the exposure equation for incident light, E = 2.5 lux x
/// N^2 / t x 100 / ISO (constant 250, from memory), f/1.8, ISO 800 and 1/1000 s need about 1000 lux.
const SETTINGS: [&str; 7] = [
    "Video: 240 frames a second, landscape, main camera, no zoom; the same mode for board and pitching.",
    "Lock focus and exposure on the mound (long press); switch video stabilisation and automatic lens change off.",
    "Shutter 1/1000 s or shorter: sunlight or bright overcast has it. Indoors about 1000 lux are needed; most halls have less.",
    "Tripods stand still from the first board picture to the last pitch: do not touch them in between.",
    "Start both phones, clap twice near the mound, then drop a ball twice from shoulder height where both see it bounce.",
    "Board: close (1.5-3 m) to each phone, tilted, all over the picture; then in ten places at the mound, half-way to both phones.",
    "Last: the board upright on the rubber's front edge, print toward home plate, still for three seconds; set it down anew three to five times.",
];

fn phone_name(phone: Phone) -> &'static str {
    match phone {
        Phone::Left => "LEFT",
        Phone::Right => "RIGHT",
    }
}

/// Base toward which the phones stand: the thrower's right hand side is third base.
fn side_name(placement: &Placement) -> &'static str {
    if placement.throws == Side::Right {
        "third-base"
    } else {
        "first-base"
    }
}

fn hand(placement: &Placement) -> &'static str {
    if placement.throws == Side::Right {
        "right"
    } else {
        "left"
    }
}

fn whose(placement: &Placement, k: usize) -> String {
    let place = &placement.phones[k];
    let at = place.eye.0;
    let toward = if at.x >= 0.0 {
        "toward home plate"
    } else {
        "toward second base"
    };
    format!(
        "{} phone: {:.1} m {toward} and {:.1} m to the {} side of the rubber's middle",
        phone_name(place.phone),
        at.x.abs(),
        at.z.abs(),
        side_name(placement)
    )
}

/// The placement as lines for people.
#[must_use]
pub fn placement_words(placement: &Placement) -> String {
    let mut lines = vec![
        format!("For a {}-hander:", hand(placement)),
        format!("  {}", whose(placement, 0)),
        format!("  {}", whose(placement, 1)),
        format!(
            "  both {:.1} m high, {:.1} m from the middle of the stride ({:.1} m in front of the rubber, hip height), pointed at it",
            placement.height_m, placement.distance_m, placement.aim.0.x
        ),
        format!(
            "  their lines of sight meet at {:.0} degrees; {:.0} to {:.0} are good",
            placement.angle_deg, GOOD_ANGLE_DEG.0, GOOD_ANGLE_DEG.1
        ),
        "  both must see the pitcher whole, from wind-up to follow-through: raised hand and both feet at the full stride".to_owned(),
    ];
    lines.extend(SETTINGS.iter().map(|s| format!("  {s}")));
    lines.join("\n")
}

fn sheet(placement: &Placement) -> Sheet {
    let side = if placement.throws == Side::Right {
        1.0
    } else {
        -1.0
    };
    // From above, the target to the right: +z runs down the page.
    let origin = [128.0, if side > 0.0 { 42.0 } else { 142.0 }];
    let at = |x: f64, z: f64| [origin[0] + SCALE * x, origin[1] + SCALE * z];
    let mut marks = Vec::new();
    let [from, to] = placement.delivery_m;
    marks.push(Mark::Line {
        through: vec![
            at(from[0], from[2]),
            at(to[0], from[2]),
            at(to[0], to[2]),
            at(from[0], to[2]),
            at(from[0], from[2]),
        ],
        width: 0.3,
        grey: 0.6,
    });
    // The rubber is 24 in x 6 in (the rules of the game, from memory); the board stands on its front edge.
    let (rubber, board) = (at(-0.152, -0.305), at(0.0, -0.42));
    marks.push(Mark::Box {
        at: [rubber[0], rubber[1], 0.152 * SCALE, 0.61 * SCALE],
        grey: 0.75,
    });
    marks.push(Mark::Line {
        through: vec![board, at(0.0, 0.42)],
        width: 0.8,
        grey: 0.0,
    });
    marks.push(Mark::line(at(2.6, 0.0), at(6.4, 0.0), 0.4));
    for z in [-0.15, 0.15] {
        marks.push(Mark::line(at(6.4, 0.0), at(6.1, z), 0.4));
    }
    let words = |p: [f64; 2], text: String| Mark::words(p[0], p[1], SIZE_MM, text);
    marks.push(words(at(6.5, 0.05), "home plate".to_owned()));
    let above = if side > 0.0 { -1.0 } else { 1.2 };
    marks.push(words(
        at(-2.2, above),
        "rubber, board on its front edge, print toward home plate".to_owned(),
    ));
    let aim = at(placement.aim.0.x, 0.0);
    marks.push(Mark::Ring {
        centre: aim,
        radius: 1.2,
        width: 0.4,
    });
    for place in &placement.phones {
        let eye = place.eye.0;
        let here = at(eye.x, eye.z);
        marks.push(Mark::line(here, aim, 0.3));
        let middle = (placement.aim.0.z - eye.z).atan2(placement.aim.0.x - eye.x);
        for edge in [-0.5, 0.5] {
            let turn = middle + edge * placement.view_deg.to_radians();
            let reach = 3.2;
            marks.push(Mark::Line {
                through: vec![here, at(eye.x + reach * turn.cos(), eye.z + reach * turn.sin())],
                width: 0.2,
                grey: 0.5,
            });
        }
        marks.push(Mark::Box {
            at: [here[0] - 2.0, here[1] - 2.0, 4.0, 4.0],
            grey: 0.0,
        });
        let beyond = if side > 0.0 { 7.0 } else { -12.0 };
        marks.push(words(
            [here[0] - 22.0, here[1] + beyond],
            format!("{} phone", phone_name(place.phone)),
        ));
        marks.push(words(
            [here[0] - 22.0, here[1] + beyond + 5.0],
            format!("x {:+.1} m, z {:+.1} m, {:.1} m high", eye.x, eye.z, eye.y),
        ));
    }
    let near = at(placement.aim.0.x - 0.9, side * 1.6);
    marks.push(words(near, format!("{:.0} degrees", placement.angle_deg)));
    let half = at(placement.aim.0.x - 1.0, side * 2.6);
    marks.push(words(half, format!("{:.1} m each", placement.distance_m)));
    let mut y = 190.0;
    marks.push(Mark::words(
        12.0,
        y,
        5.0,
        format!(
            "{}-hander, seen from above: x toward home plate, z to the third-base side, from the rubber's front edge. 1 m = {SCALE} mm.",
            if placement.throws == Side::Right { "Right" } else { "Left" }
        ),
    ));
    for line in SETTINGS {
        y += 6.0;
        marks.push(Mark::words(12.0, y, SIZE_MM, line));
    }
    Sheet {
        width_mm: WIDTH_MM,
        height_mm: HEIGHT_MM,
        marks,
    }
}

/// The placement drawn from above, as SVG.
#[must_use]
pub fn placement_svg(placement: &Placement) -> String {
    sheet(placement).to_svg()
}

/// The same as PDF.
#[must_use]
pub fn placement_pdf(placement: &Placement) -> Vec<u8> {
    to_pdf("Where phones and board go", &[sheet(placement)])
}
