//! A table of joints becomes a C3D file: floats, little endian, metres.

use super::{BLOCK, OWN_GROUP, START_PARAMETER};
use crate::skeleton::{Joint, Side};
use crate::store::{EventsRecord, JointsTable, StoreError};

/// What a file of ours holds.
#[derive(Clone, Copy, Debug)]
pub struct C3dContent<'a> {
    /// The joints, at even times.
    pub table: &'a JointsTable,
    /// The events.
    pub events: &'a EventsRecord,
    /// The throwing side, as the events' context.
    pub side: Option<Side>,
}

/// Block in which the parameters begin; the header is the first.
const PARAMETER_BLOCK: u8 = 2;
/// Intel's number.
const INTEL: u8 = 84;
/// Bytes of a floating point number.
const FLOAT: i8 = 4;

/// Groups and arrays as they are written, one after the other.
#[derive(Default)]
struct Section {
    bytes: Vec<u8>,
    group: u8,
}

impl Section {
    fn record(&mut self, id: u8, name: &str, body: &[u8]) {
        self.bytes.push(name.len() as u8);
        self.bytes.push(id);
        self.bytes.extend(name.as_bytes());
        // From this number on to the next record; an empty description follows the body.
        self.bytes.extend((body.len() as u16 + 3).to_le_bytes());
        self.bytes.extend(body);
        self.bytes.push(0);
    }

    fn begin(&mut self, name: &str) {
        self.group += 1;
        self.record(self.group.wrapping_neg(), name, &[]);
    }

    fn array(&mut self, name: &str, kind: i8, dimensions: &[usize], data: &[u8]) {
        let mut body = vec![kind.cast_unsigned(), dimensions.len() as u8];
        body.extend(dimensions.iter().map(|d| *d as u8));
        body.extend(data);
        self.record(self.group, name, &body);
    }

    fn integer(&mut self, name: &str, value: u16) {
        self.array(name, 2, &[], &value.to_le_bytes());
    }

    fn integers(&mut self, name: &str, values: &[u16]) {
        let data: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.array(name, 2, &[values.len()], &data);
    }

    fn float(&mut self, name: &str, value: f64) {
        self.array(name, FLOAT, &[], &(value as f32).to_le_bytes());
    }

    fn text(&mut self, name: &str, text: &str) {
        self.array(name, -1, &[text.len()], text.as_bytes());
    }

    fn texts(&mut self, name: &str, texts: &[&str]) {
        let width = texts.iter().map(|t| t.len()).max().unwrap_or(0).max(1);
        let data: Vec<u8> = texts
            .iter()
            .flat_map(|t| format!("{t:<width$}").into_bytes())
            .collect();
        self.array(name, -1, &[width, texts.len()], &data);
    }
}

/// The bytes of a C3D file: joint centres, events, metres, frame rate. Axes as everywhere (+x to the target, +y up); the
/// first frame's instant stands in `TWINMOUND:START_S`.
///
/// # Errors
/// Fewer than two rows, or more than a C3D file can count.
pub fn write_c3d(content: &C3dContent<'_>) -> Result<Vec<u8>, StoreError> {
    let times = &content.table.times;
    let (Some(first), Some(last)) = (times.first(), times.last()) else {
        return Err(too_few());
    };
    let frames = times.len();
    if frames < 2 || frames > u32::MAX as usize {
        return Err(too_few());
    }
    let rate_hz = (frames - 1) as f64 / (*last - *first).0;
    let joints: Vec<Joint> = Joint::ALL
        .into_iter()
        .filter(|j| content.table.joints[*j].iter().any(Option::is_some))
        .collect();
    let parameters = parameters(content, &joints, rate_hz, first.0);
    let parameter_blocks = (4 + parameters.len() + 1).div_ceil(BLOCK);
    let data_block = usize::from(PARAMETER_BLOCK) + parameter_blocks;

    let mut bytes = header(joints.len(), frames, rate_hz, data_block);
    bytes.extend([1, super::read::KEY, parameter_blocks as u8, INTEL]);
    bytes.extend(&parameters);
    bytes.resize((data_block - 1) * BLOCK, 0);
    for frame in 0..frames {
        for joint in &joints {
            let position = content.table.joints[*joint][frame].map(|p| p.position_m);
            let numbers = match position {
                Some(p) => [p.x as f32, p.y as f32, p.z as f32, 0.0],
                None => [0.0, 0.0, 0.0, -1.0],
            };
            bytes.extend(numbers.iter().flat_map(|x| x.to_le_bytes()));
        }
    }
    bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, 0);
    Ok(bytes)
}

fn too_few() -> StoreError {
    StoreError::C3d {
        why: "fewer than two rows cannot be written: they have no rate".to_owned(),
    }
}

/// The first block.
fn header(points: usize, frames: usize, rate_hz: f64, data_block: usize) -> Vec<u8> {
    let mut header = vec![0; BLOCK];
    header[0] = PARAMETER_BLOCK;
    header[1] = super::read::KEY;
    let mut word = |number: usize, value: usize| {
        let value = value.min(usize::from(u16::MAX)) as u16;
        header[2 * (number - 1)..2 * number].copy_from_slice(&value.to_le_bytes());
    };
    word(2, points);
    word(4, 1);
    word(5, frames);
    word(9, data_block);
    // A negative scale says that positions are floats.
    header[12..16].copy_from_slice(&(-1.0_f32).to_le_bytes());
    header[20..24].copy_from_slice(&(rate_hz as f32).to_le_bytes());
    header
}

/// The parameter section after its four bytes of head.
fn parameters(content: &C3dContent<'_>, joints: &[Joint], rate_hz: f64, start_s: f64) -> Vec<u8> {
    let frames = content.table.times.len();
    let low_high = |n: usize| [(n % 65536) as u16, (n / 65536) as u16];
    let names: Vec<&str> = joints.iter().map(|j| j.name()).collect();
    let mut section = Section::default();
    section.begin("POINT");
    section.integer("USED", joints.len() as u16);
    section.integer("FRAMES", frames.min(usize::from(u16::MAX)) as u16);
    section.float("SCALE", -1.0);
    section.float("RATE", rate_hz);
    section.text("UNITS", "m");
    section.text("X_SCREEN", "+X");
    section.text("Y_SCREEN", "+Y");
    section.texts("LABELS", &names);
    section.texts("DESCRIPTIONS", &vec!["joint centre"; joints.len()]);
    section.begin("ANALOG");
    section.integer("USED", 0);
    section.begin("FORCE_PLATFORM");
    section.integer("USED", 0);
    section.begin("TRIAL");
    section.integers("ACTUAL_START_FIELD", &low_high(1));
    section.integers("ACTUAL_END_FIELD", &low_high(frames));
    let events: Vec<(&str, f64)> = content
        .events
        .named()
        .into_iter()
        .filter_map(|(name, event)| Some((name, event?.time_s - start_s)))
        .collect();
    section.begin("EVENT");
    section.integer("USED", events.len() as u16);
    if !events.is_empty() {
        let context = match content.side {
            Some(Side::Left) => "Left",
            Some(Side::Right) => "Right",
            None => "General",
        };
        section.texts("CONTEXTS", &vec![context; events.len()]);
        section.texts("LABELS", &events.iter().map(|e| e.0).collect::<Vec<_>>());
        // Minutes, then seconds, from the first frame.
        let times: Vec<u8> = events
            .iter()
            .flat_map(|(_, s)| [(s / 60.0).floor(), s.rem_euclid(60.0)])
            .flat_map(|x| (x as f32).to_le_bytes())
            .collect();
        section.array("TIMES", FLOAT, &[2, events.len()], &times);
    }
    section.begin("MANUFACTURER");
    section.text("SOFTWARE", "twinmound");
    section.begin(OWN_GROUP);
    section.float(START_PARAMETER, start_s);
    section.bytes
}
