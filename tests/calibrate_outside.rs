//! Calibration against the outside: OpenCV and its real pictures.
use twinmound::calibrate::*;
use twinmound::picture::Grey;
#[test]
fn quick() {
    let board = Board::new(9, 6, 0.025);
    let mut out = String::new();
    for s in ["left", "right"] {
        for i in (1..=9).chain(11..=14) {
            let im = image::open(format!("/usr/share/doc/opencv-doc/examples/data/{s}{i:02}.jpg"))
                .unwrap()
                .to_luma8();
            let g = Grey {
                width: im.width() as usize,
                height: im.height() as usize,
                data: im.into_raw(),
            };
            let t = std::time::Instant::now();
            let r = find_board(&g, &board);
            let ms = t.elapsed().as_secs_f64() * 1e3;
            match r {
                Ok(v) => {
                    println!(
                        "{s}{i:02} {ms:.1} ms blur {:.2} contrast {:.0} spacing {:.1} sd {:.3}",
                        v.blur_px, v.contrast, v.spacing_px, v.corners[20].sd_px
                    );
                    for c in &v.corners {
                        out += &format!("{s}{i:02} {} {} {}\n", c.at.x_px, c.at.y_px, c.sd_px);
                    }
                }
                Err(e) => println!("{s}{i:02} {ms:.1} ms {e}"),
            }
        }
    }
    std::fs::write("/tmp/calibwork/ours.txt", out).unwrap();
}
