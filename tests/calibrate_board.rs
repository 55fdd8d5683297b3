//! The printed board: the PDF as an independent renderer (PDFium) draws it is true to scale, and our finder finds it.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::Path;

use serde_json::Value;

use twinmound::calibrate::{Board, BoardView, find_board};
use twinmound::picture::Grey;

use super::cli_stories::Desk;
use super::reference_python::python;

/// Pages of a PDF as the renderer sees them: sizes and words, and the pictures at a scale.
fn drawn(desk: &Desk, pdf: &str, per_mm: f64) -> (Vec<Value>, Vec<Grey>) {
    let folder = desk.at("pages");
    fs::create_dir_all(&folder).unwrap();
    let said = python(
        "fixtures/calibration/rasterise.py",
        &[
            desk.at(pdf).to_str().unwrap(),
            &per_mm.to_string(),
            folder.to_str().unwrap(),
        ],
    );
    let pages: Vec<Value> = serde_json::from_str(&said).unwrap();
    let pictures = (0..pages.len())
        .map(|n| pgm(&folder.join(format!("page-{n:02}.pgm"))))
        .collect();
    (pages, pictures)
}

/// A binary PGM with the header that the script writes.
fn pgm(path: &Path) -> Grey {
    let bytes = fs::read(path).unwrap();
    let mut lines = bytes.splitn(4, |b| *b == b'\n');
    assert_eq!(lines.next().unwrap(), b"P5");
    let size = String::from_utf8(lines.next().unwrap().to_vec()).unwrap();
    let (width, height) = size.split_once(' ').unwrap();
    lines.next().unwrap();
    Grey {
        width: width.parse().unwrap(),
        height: height.parse().unwrap(),
        data: lines.next().unwrap().to_vec(),
    }
}

/// Asserts that corner (column, row) lies at `first_mm + square_mm * (column, row)` of the sheet to `within_px`, the renderer
/// filling whole pixels, and that the corners lie to each other as they must to `apart_px`.
fn assert_at(
    view: &BoardView,
    board: &Board,
    (first_mm, square_mm): ([f64; 2], f64),
    per_mm: f64,
    (within_px, apart_px): (f64, f64),
) {
    let first = view.corners[0].at;
    for (k, corner) in view.corners.iter().enumerate() {
        let place = |axis: usize, steps: usize| {
            // Pixel (0, 0) is the centre of the first pixel: half a pixel less.
            (first_mm[axis] + square_mm * steps as f64) * per_mm - 0.5
        };
        let (x, y) = (place(0, k % board.cols), place(1, k / board.cols));
        let miss = (corner.at.x_px - x).hypot(corner.at.y_px - y);
        assert!(miss < within_px, "corner {k} off by {miss} px: {:?}", corner.at);
        let way = |steps: usize| square_mm * steps as f64 * per_mm;
        let (dx, dy) = (way(k % board.cols), way(k / board.cols));
        let bend = (corner.at.x_px - first.x_px - dx).hypot(corner.at.y_px - first.y_px - dy);
        assert!(bend < apart_px, "corner {k} bent by {bend} px: {:?}", corner.at);
    }
}

#[test]
fn the_printed_board_has_its_true_size_and_is_found_by_our_own_finder() {
    let desk = Desk::new();
    let said = desk.run(&["board", "-o", "board.pdf", "-o", "board.svg"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(desk.names(), ["board.pdf", "board.svg"]);
    let per_mm = 2.0;
    let (pages, pictures) = drawn(&desk, "board.pdf", per_mm);
    assert_eq!(pages.len(), 1);
    // ISO 216: A1 is 594 mm x 841 mm.
    for (key, mm) in [("width_mm", 841.0), ("height_mm", 594.0)] {
        assert!((pages[0][key].as_f64().unwrap() - mm).abs() < 0.01, "{key}");
    }
    let words = pages[0]["words"].as_str().unwrap();
    for word in ["200 mm", "10 x 7 squares of 70 mm", "9x6 inner corners"] {
        assert!(words.contains(word), "no '{word}' in: {words}");
    }
    let board = Board::default();
    let view = find_board(&pictures[0], &board).unwrap();
    println!("spacing {:.3} px at {per_mm} px/mm", view.spacing_px);
    assert!((view.spacing_px - 140.0).abs() < 0.05, "{}", view.spacing_px);
    // Ten squares of 70 mm in the middle of 841 mm; the lowest 70 mm above the lower edge. The first inner corner lies one
    // square inside.
    assert_at(
        &view,
        &board,
        ([70.5 + 70.0, 34.0 + 70.0], 70.0),
        per_mm,
        (1.0, 0.1),
    );
    // The ruler: its two ends are black, 200 mm apart, on a line that is black throughout.
    let picture = &pictures[0];
    let dark = |x: usize, y: usize| picture.data[y * picture.width + x] < 128;
    let below = (34 + 490 + 5) * 2;
    let longest = (below..picture.height)
        .flat_map(|y| {
            let row = &picture.data[y * picture.width..][..picture.width];
            row.split(|v| *v >= 128).map(<[u8]>::len).max()
        })
        .max()
        .unwrap();
    let length_mm = longest as f64 / per_mm;
    assert!((length_mm - 200.0).abs() <= 1.0, "ruler of {length_mm} mm");
    // The ringed corner is the one with a dark square, where our corners are counted from.
    let ink = |x0: f64, y0: f64| {
        let at = |mm: f64| (mm * per_mm) as usize;
        (at(y0)..at(y0 + 34.0))
            .flat_map(|y| (at(x0)..at(x0 + 34.0)).map(move |x| (x, y)))
            .filter(|&(x, y)| dark(x, y))
            .count()
    };
    assert!(ink(36.0, 0.0) > 50 && ink(771.0, 0.0) == 0);
}

#[test]
fn other_sizes_and_sheets_are_true_to_scale_too() {
    let desk = Desk::new();
    let said = desk.run(&[
        "board",
        "-o",
        "small.pdf",
        "--squares",
        "6x5",
        "--square-mm",
        "30",
        "--sheet",
        "letter",
        "--json",
    ]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let (pages, pictures) = drawn(&desk, "small.pdf", 4.0);
    // Letter: 8.5 in x 11 in.
    assert!((pages[0]["width_mm"].as_f64().unwrap() - 279.4).abs() < 0.01);
    assert!((pages[0]["height_mm"].as_f64().unwrap() - 215.9).abs() < 0.01);
    let board = Board::new(6, 5, 0.03);
    let view = find_board(&pictures[0], &board).unwrap();
    assert!((view.spacing_px - 120.0).abs() < 0.05, "{}", view.spacing_px);
    let first_mm = [(279.4 - 210.0) / 2.0 + 30.0, 215.9 - 30.0 - 180.0 + 30.0];
    assert_at(&view, &board, (first_mm, 30.0), 4.0, (1.5, 1.5));
}

#[test]
fn a_board_glued_together_from_small_pages_is_one_board() {
    for (paper, long_mm) in [("a4", 297.0), ("letter", 279.4)] {
        let desk = Desk::new();
        let said = desk.run(&["board", "-o", "tiles.pdf", "--tile", paper, "--json"]);
        assert_eq!(said.code, Some(0), "{}", said.err);
        let value: Value = serde_json::from_str(&said.out).unwrap();
        let number = |path: &str| value.pointer(path).unwrap().as_f64().unwrap();
        let (cols, rows) = (number("/tiles/cols") as usize, number("/tiles/rows") as usize);
        let per_mm = 2.0;
        let (pages, pictures) = drawn(&desk, "tiles.pdf", per_mm);
        assert_eq!(pages.len(), cols * rows);
        for (k, page) in pages.iter().enumerate() {
            let long = page["width_mm"]
                .as_f64()
                .unwrap()
                .max(page["height_mm"].as_f64().unwrap());
            assert!((long - long_mm).abs() < 0.01);
            let place = format!(
                "row {} of {rows}, column {} of {cols}",
                k / cols + 1,
                k % cols + 1
            );
            let words = page["words"].as_str().unwrap();
            assert!(words.contains(&place) && words.contains("50 mm"), "{words}");
        }
        // Glued as the ticks say: each page's window laid so that the shared strips lie on each other.
        let (border, overlap) = (number("/tiles/border_mm"), number("/tiles/overlap_mm"));
        let window = [0, 1].map(|i| number(&format!("/tiles/page_mm/{i}")) - 2.0 * border);
        let px = |mm: f64| (mm * per_mm).round() as usize;
        let whole = [0, 1].map(|i| number(&format!("/sheet_mm/{i}")));
        let mut glued = Grey::filled(px(whole[0]), px(whole[1]), 255);
        for (k, picture) in pictures.iter().enumerate() {
            let at = [
                px((k % cols) as f64 * (window[0] - overlap)),
                px((k / cols) as f64 * (window[1] - overlap)),
            ];
            for y in 0..px(window[1]) {
                for x in 0..px(window[0]) {
                    let (gx, gy) = (at[0] + x, at[1] + y);
                    if gx < glued.width && gy < glued.height {
                        glued.data[gy * glued.width + gx] =
                            picture.data[(px(border) + y) * picture.width + px(border) + x];
                    }
                }
            }
        }
        let board = Board::default();
        let view = find_board(&glued, &board).unwrap();
        let first = [0, 1].map(|i| number(&format!("/squares_at_mm/{i}")) + 70.0);
        // Pages are glued to whole pixels here: up to a pixel at each seam.
        assert_at(&view, &board, (first, 70.0), per_mm, (2.5, 2.5));
        assert!(
            (view.spacing_px - 140.0).abs() < 0.5,
            "{paper}: {}",
            view.spacing_px
        );
    }
}

#[test]
fn boards_that_cannot_be_printed_are_refused_with_the_remedy() {
    let desk = Desk::new();
    desk.run(&["board", "-o", "board.png"]).refused(&[".pdf or .svg"]);
    desk.run(&["board", "-o", "board.svg", "--tile", "a4"])
        .refused(&["--tile", "board.pdf"]);
    desk.run(&["board", "-o", "b.pdf", "--sheet", "a4"]).refused(&[
        "700 x 490 mm",
        "297 x 210 mm",
        "--tile a4",
    ]);
    desk.run(&["board", "-o", "b.pdf", "--squares", "9x7"])
        .refused(&["half a turn", "odd", "even"]);
    desk.run(&["board", "-o", "b.pdf", "--sheet", "b5"])
        .refused(&["a4", "WIDTHxHEIGHT"]);
    desk.run(&["board", "-o", "b.pdf", "--margin-mm", "3"])
        .refused(&["ruler", "--margin-mm 16"]);
    assert!(desk.names().is_empty(), "{:?}", desk.names());
}

#[test]
fn place_says_and_draws_where_the_phones_go() {
    let desk = Desk::new();
    let said = desk.run(&["place", "--throws", "left", "-o", "place.svg"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let all = [
        "LEFT phone",
        "RIGHT phone",
        "first-base",
        "80 degrees",
        "60 to 110",
        "1.3 m high",
        "240 frames",
        "exposure",
        "stabilisation",
        "1/1000 s",
        "raised hand and both feet",
        "upright on the rubber",
        "place.svg",
    ];
    for word in all {
        assert!(said.out.contains(word), "no '{word}' in: {}", said.out);
    }
    let svg = fs::read_to_string(desk.at("place.svg")).unwrap();
    for word in [
        "LEFT phone",
        "RIGHT phone",
        "home plate",
        "rubber",
        "80 degrees",
        "1/1000",
    ] {
        assert!(svg.contains(word), "no '{word}' in the drawing");
    }
    let mirrored = |throws: &str| -> Value {
        let said = desk.run(&["place", "--throws", throws, "--json"]);
        serde_json::from_str(&said.out).unwrap()
    };
    let (right, left) = (mirrored("right"), mirrored("left"));
    let at = |v: &Value, phone: &str, axis: &str| v[phone][axis].as_f64().unwrap();
    // A left-hander's phones are a right-hander's, mirrored: the same places, on the other side, LEFT and RIGHT exchanged.
    for (a, b) in [("left", "right"), ("right", "left")] {
        assert!((at(&right, a, "x_m") - at(&left, b, "x_m")).abs() < 1e-9);
        assert!((at(&right, a, "z_m") + at(&left, b, "z_m")).abs() < 1e-9);
    }
    // Third base lies to the right of a pitcher who faces home plate.
    assert!(at(&right, "left", "z_m") > 0.0);
    assert_eq!(right["rate_hz"], 240.0);
    assert_eq!(desk.run(&["place"]).code, Some(0));
    assert_eq!(desk.names(), ["place.svg"]);
}
