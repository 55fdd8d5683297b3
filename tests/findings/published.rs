//! Published bands: where a clean delivery of the studio lies, and what is compared with what.

use twinmound::findings::{Evidence, Figure, Level, Place, bands, references};
use twinmound::skeleton::Side;

use super::measured::Thrown;

/// The clean adult lies within 2.5 sd of every band of grown pitchers that it is compared with, the youth within those of 12 to
/// 15 years. Values from memory are left out. Sources stand in `src/findings/bands.toml` (Kageyama et al. 2015 and others).
#[test]
fn clean_deliveries_lie_within_the_published_bands() {
    let mut compared = 0;
    for (style, levels) in [
        (
            "clean",
            vec![Level::College, Level::Professional, Level::From16To18],
        ),
        ("youth", vec![Level::From12To15]),
    ] {
        let thrown = Thrown {
            style,
            strength: 1.0,
            throws: Side::Right,
            seed: 12,
        };
        let figures = Evidence::of(&thrown.exact()).figures;
        for (band, source) in bands().unwrap() {
            // Balls: how hard the studio's pitchers throw is set in the studio, and a youth is taken for one of 14.
            if !levels.contains(&band.level) || band.provenance.starts_with("MEM") {
                continue;
            }
            let Some(figure) = figures.get(&band.metric) else {
                continue;
            };
            let sds = (figure.value - band.mean) / band.sd;
            println!(
                "{:8} {:58} {:9.2} {:6.2} sd  {source}",
                band.level, band.metric, figure.value, sds
            );
            compared += 1;
            assert!(sds.abs() < 2.5, "{} {}: {sds} sd", band.level, band.metric);
        }
    }
    assert!(compared >= 28, "{compared}");
}

fn one(id: &str, figure: Figure, level: Option<Level>) -> Option<twinmound::findings::Reference> {
    let evidence = Evidence {
        figures: [(id.to_owned(), figure)].into(),
        level,
        deliveries: 1,
        ..Evidence::default()
    };
    references(&evidence).unwrap().remove(id)
}

#[test]
fn only_like_is_compared_with_like() {
    let figure = |value: f64, bandwidth_hz| Figure {
        value,
        sd: Some(3.0),
        doubtful: false,
        bandwidth_hz,
    };
    let pelvis = "pelvis_rotation_at_foot_contact_deg";
    assert!(
        one(pelvis, figure(15.0, None), None).is_none(),
        "no level, no band"
    );
    let college = one(pelvis, figure(15.0, None), Some(Level::College)).unwrap();
    assert_eq!((college.place, college.mean), (Place::Within, 14.8));
    assert!((college.low + 4.6).abs() < 1e-9 && (college.high - 34.2).abs() < 1e-9);
    let far = one(pelvis, figure(60.0, None), Some(Level::College)).unwrap();
    assert_eq!(far.place, Place::Above);
    let close = one(pelvis, figure(33.0, None), Some(Level::College)).unwrap();
    assert_eq!(close.place, Place::CannotTell);
    // The elbow's speed hangs on the filter: with another bandwidth than the laboratories' there is nothing to compare.
    let elbow = "peak_elbow_extension_speed_deg_s";
    assert!(one(elbow, figure(2300.0, Some(30.0)), Some(Level::College)).is_none());
    assert!(one(elbow, figure(2300.0, None), Some(Level::College)).is_none());
    let alike = one(elbow, figure(2300.0, Some(13.4)), Some(Level::College)).unwrap();
    assert!(alike.provenance.starts_with("MEM") && alike.caveat.unwrap().contains("from memory"));
    // Two definitions of a stride: shown, not judged.
    let stride = one(
        "stride_length_pct_height",
        figure(40.0, None),
        Some(Level::College),
    );
    assert_eq!(stride.unwrap().place, Place::NotJudged);
}
