//! C3D: the open binary format of motion laboratories, read ([`read_c3d`]) and written ([`write_c3d`]).
//!
//! The format is that of the C3D User Guide (c3d.org, 2008): a header block, parameters by group, then the frames. Reading
//! takes all three processors' byte orders, integers and floats, and never trusts a length that the file states. Points
//! are known by their labels: a joint's own name (`right_wrist`), upper or lower case, with or without a subject's name
//! and a colon before it; other points are ignored. Unknown positions have a negative residual.

/// Bytes become numbers.
mod bytes;

/// Parameters by group and name.
mod parameters;

/// Reading.
mod read;

/// Writing.
mod write;

pub use read::read_c3d;
pub use write::{C3dContent, write_c3d};

/// Own group of parameters, and in it the instant of the first frame on the clock of `joints.csv`, seconds: C3D itself
/// counts from the first frame.
const OWN_GROUP: &str = "TWINMOUND";
const START_PARAMETER: &str = "START_S";

/// Size of a block, bytes.
const BLOCK: usize = 512;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::skeleton::{Joint, PerJoint};
    use crate::smooth::ImportedPosition;
    use crate::store::{EventRecord, EventsRecord, JointsTable};
    use crate::units::Seconds;
    use nalgebra::Vector3;

    fn table(frames: usize) -> JointsTable {
        JointsTable {
            times: (0..frames).map(|i| Seconds(0.5 + i as f64 / 240.0)).collect(),
            joints: PerJoint::from_fn(|joint| {
                (0..frames)
                    .map(|i| {
                        (joint != Joint::Nose || i % 3 == 0).then(|| ImportedPosition {
                            position_m: Vector3::new(joint.index() as f64, 0.01 * i as f64, -1.25),
                            sd_m: None,
                        })
                    })
                    .collect()
            }),
        }
    }

    fn written(frames: usize) -> Vec<u8> {
        let events = EventsRecord {
            ball_release: Some(EventRecord {
                time_s: 0.6,
                sd_s: None,
            }),
            ..EventsRecord::default()
        };
        write_c3d(&C3dContent {
            table: &table(frames),
            events: &events,
            side: None,
        })
        .unwrap()
    }

    #[test]
    fn what_is_written_is_read() {
        // More frames than the header's 16 bits can count.
        for frames in [30, 70_000] {
            let bytes = written(frames);
            assert_eq!(bytes.len() % BLOCK, 0);
            let back = read_c3d(&bytes).unwrap();
            let expected = table(frames);
            assert_eq!(back.times.len(), frames);
            for (a, b) in back.times.iter().zip(&expected.times) {
                assert!((a.0 - b.0).abs() < 1e-6);
            }
            for (joint, path) in expected.joints.iter() {
                for (ours, back) in path.iter().zip(&back.joints[joint]) {
                    assert_eq!(ours.is_some(), back.is_some(), "{joint}");
                    if let (Some(a), Some(b)) = (ours, back) {
                        assert!((a.position_m - b.position_m).norm() < 1e-4);
                    }
                }
            }
        }
    }

    #[test]
    fn cut_and_broken_files_are_refused_and_never_panic() {
        let whole = written(30);
        for length in [0, 1, 511, 512, 600, 1024, whole.len() / 2, whole.len() - 600] {
            assert!(read_c3d(&whole[..length]).is_err(), "{length}");
        }
        // Every byte of header and parameters, set to extremes: refused or read, but no panic and no endless loop.
        for at in 0..3 * BLOCK {
            for value in [0, 1, 127, 128, 255] {
                let mut broken = whole.clone();
                broken[at] = value;
                let _ = read_c3d(&broken);
            }
        }
    }
}
