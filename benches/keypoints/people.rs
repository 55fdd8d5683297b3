//! The labelled people of `fixtures/real_people`, and the pictures of Debian's package opencv-doc that they are in.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde::Deserialize;
use twinmound::detect::KeypointDetector;
use twinmound::geometry::PixelPoint;
use twinmound::ingest::{IngestOptions, open_clip};
use twinmound::picture::{ColourMatrix, Grey, Picture, Region};
use twinmound::skeleton::{Joint, PerJoint};

use super::Failure;

/// Where the package keeps its pictures.
const FOLDERS: [&str; 2] = [
    "/usr/share/doc/opencv-doc/examples/data",
    "/usr/share/doc/opencv-doc/opencv4/html",
];

/// One labelled point.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Label {
    /// Where, pixels of the source picture.
    pub(crate) at: PixelPoint,
    /// Seen, not guessed behind something.
    pub(crate) visible: bool,
}

/// One labelled person.
pub(crate) struct Person {
    /// Number in the file.
    pub(crate) number: usize,
    /// File name of the picture or video.
    pub(crate) source: String,
    /// Frame of the video, from 0.
    pub(crate) frame: usize,
    /// `A`: for choosing between networks; `B`: for reporting.
    pub(crate) half: char,
    /// The labels of the first pass; none for points outside the picture.
    pub(crate) labels: PerJoint<Option<Label>>,
}

#[derive(Deserialize)]
struct Row {
    person: usize,
    source: String,
    frame: usize,
    half: char,
    pass: u8,
    joint: String,
    x_px: Option<f64>,
    y_px: Option<f64>,
    visibility: String,
}

/// Everybody, in order of number.
///
/// # Errors
/// When the file is not there or not as its README says.
pub(crate) fn people() -> Result<Vec<Person>, Failure> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/real_people/labels.csv");
    let mut people: BTreeMap<usize, Person> = BTreeMap::new();
    for row in csv::Reader::from_path(file)?.deserialize() {
        let row: Row = row?;
        if row.pass != 1 {
            continue;
        }
        let person = people.entry(row.person).or_insert_with(|| Person {
            number: row.person,
            source: row.source.clone(),
            frame: row.frame,
            half: row.half,
            labels: PerJoint::from_fn(|_| None),
        });
        if let (Some(x_px), Some(y_px)) = (row.x_px, row.y_px) {
            person.labels[row.joint.parse::<Joint>()?] = Some(Label {
                at: PixelPoint::new(x_px, y_px),
                visible: row.visibility == "visible",
            });
        }
    }
    Ok(people.into_values().collect())
}

impl Person {
    /// From the middle of the shoulders to the middle of the hips, pixels.
    pub(crate) fn trunk_px(&self) -> Option<f64> {
        let at = |joint: Joint| self.labels[joint].map(|l| l.at.vector());
        let shoulders = (at(Joint::LeftShoulder)? + at(Joint::RightShoulder)?) / 2.0;
        let hips = (at(Joint::LeftHip)? + at(Joint::RightHip)?) / 2.0;
        Some((shoulders - hips).norm())
    }

    /// The crop in which the box round all labelled points fills the share that the detector asks for.
    pub(crate) fn region(&self, detector: &dyn KeypointDetector) -> Region {
        let points = self.labels.0.iter().flatten().map(|l| l.at);
        region_round(points, detector.aspect(), detector.person_share())
    }
}

/// The crop of the given shape in which the box round points fills `share` of the tighter direction.
pub(crate) fn region_round(points: impl Iterator<Item = PixelPoint>, aspect: f64, share: f64) -> Region {
    let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
    for p in points {
        for (axis, value) in [p.x_px + 0.5, p.y_px + 0.5].into_iter().enumerate() {
            low[axis] = low[axis].min(value);
            high[axis] = high[axis].max(value);
        }
    }
    let height_px = (high[1] - low[1]).max((high[0] - low[0]) / aspect) / share;
    let width_px = height_px * aspect;
    Region {
        left_px: (low[0] + high[0] - width_px) / 2.0,
        top_px: (low[1] + high[1] - height_px) / 2.0,
        width_px,
        height_px,
    }
}

/// The pictures of these people, by source and frame.
///
/// # Errors
/// When one is not there or cannot be read.
pub(crate) fn pictures(people: &[Person]) -> Result<BTreeMap<(String, usize), Picture>, Failure> {
    let mut found = BTreeMap::new();
    let sources: BTreeSet<&str> = people.iter().map(|p| p.source.as_str()).collect();
    for source in sources {
        let path = file_of(source)?;
        if path.extension().is_none_or(|e| e != "avi") {
            found.insert((source.to_owned(), 0), still(&path)?);
            continue;
        }
        let wanted: BTreeSet<usize> = people
            .iter()
            .filter(|p| p.source == source)
            .map(|p| p.frame)
            .collect();
        let count = wanted.len();
        let clip = open_clip(&path, &IngestOptions::default())?;
        for frame in clip
            .frames_where(move |index, _| wanted.contains(&index))?
            .take(count)
        {
            let frame = frame?;
            found.insert((source.to_owned(), frame.index), frame.picture);
        }
    }
    Ok(found)
}

fn file_of(name: &str) -> Result<PathBuf, Failure> {
    FOLDERS
        .iter()
        .map(|folder| Path::new(folder).join(name))
        .find(|path| path.exists())
        .ok_or_else(|| format!("{name} is not in {}: run `make setup`", FOLDERS.join(" nor in ")).into())
}

/// A photograph as full-range planes.
fn still(path: &Path) -> Result<Picture, Failure> {
    let image = image::open(path)?.to_rgb8();
    let (width, height) = (image.width() as usize, image.height() as usize);
    let mut luma = Grey::filled(width, height, 0);
    let half = (width.div_ceil(2), height.div_ceil(2));
    let mut sums = vec![[0.0_f64; 3]; half.0 * half.1];
    for (x, y, pixel) in image.enumerate_pixels() {
        let [r, g, b] = pixel.0.map(f64::from);
        let bright = 0.299 * r + 0.587 * g + 0.114 * b;
        luma.data[y as usize * width + x as usize] = bright.round() as u8;
        let sum = &mut sums[(y as usize / 2) * half.0 + x as usize / 2];
        *sum = [
            sum[0] + (b - bright) / 1.772,
            sum[1] + (r - bright) / 1.402,
            sum[2] + 1.0,
        ];
    }
    let plane = |axis: usize| Grey {
        width: half.0,
        height: half.1,
        data: sums
            .iter()
            .map(|s| (128.0 + s[axis] / s[2]).round().clamp(0.0, 255.0) as u8)
            .collect(),
    };
    Ok(Picture {
        luma,
        cb: plane(0),
        cr: plane(1),
        full_range: true,
        matrix: ColourMatrix::Bt601,
    })
}
