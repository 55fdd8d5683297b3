//! The real stereo pictures of a 9x6 board in Debian's opencv-doc, and `calibrate` on folders of them.
#![expect(clippy::panic, reason = "a test stops at the first surprise")]

use std::path::Path;

use image::GrayImage;

use super::cli_stories::{Desk, Said};

/// Where Debian keeps them: `left01.jpg`, `right01.jpg` and so on.
pub(crate) const PICTURES: &str = "/usr/share/doc/opencv-doc/examples/data";
/// The numbers of the pairs; there is no 10.
pub(crate) const NUMBERS: [&str; 13] = [
    "01", "02", "03", "04", "05", "06", "07", "08", "09", "11", "12", "13", "14",
];

/// One of them.
pub(crate) fn picture(name: &str) -> GrayImage {
    let path = Path::new(PICTURES).join(name);
    image::open(&path)
        .unwrap_or_else(|e| {
            panic!(
                "{}: {e}; this test needs the Debian package opencv-doc",
                path.display()
            )
        })
        .into_luma8()
}

/// `calibrate left right` for their board, whose squares are taken as 25 mm wide.
pub(crate) fn calibrate(desk: &Desk, options: &[&str]) -> Said {
    let base = [
        "calibrate",
        "left",
        "right",
        "--squares",
        "9x6",
        "--square-mm",
        "25",
        "-o",
        "rig.json",
    ];
    desk.run(&[&base[..], options].concat())
}
