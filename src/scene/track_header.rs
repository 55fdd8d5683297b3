//! The rotation that a phone writes into a video's track header (ISO/IEC 14496-12, 8.3.2).
//!
//! The encoding library offers no safe call for it, so it is set in the finished file.

use std::fs::OpenOptions;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use crate::geometry::QuarterTurns;

/// Sets the display matrix of the first track of an MP4 or MOV file.
pub(in crate::scene) fn set_turns(path: &Path, turns: QuarterTurns) -> io::Result<()> {
    // a b c d of the matrix: a clockwise turn by t has a = cos t, b = sin t, c = -sin t, d = cos t.
    let [a, b, c, d]: [i32; 4] = match turns {
        QuarterTurns::Zero => return Ok(()),
        QuarterTurns::One => [0, 1, -1, 0],
        QuarterTurns::Two => [-1, 0, 0, -1],
        QuarterTurns::Three => [0, -1, 1, 0],
    };
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let end = file.seek(SeekFrom::End(0))?;
    let (moov, moov_end) = find(&mut file, *b"moov", 0, end)?;
    let (trak, trak_end) = find(&mut file, *b"trak", moov, moov_end)?;
    let (header, _) = find(&mut file, *b"tkhd", trak, trak_end)?;
    let mut version = [0];
    file.seek(SeekFrom::Start(header))?;
    file.read_exact(&mut version)?;
    // Version 1 has 64-bit times. Before the matrix: version and flags, times and track number, layer and volume.
    let times = if version[0] == 1 { 32 } else { 20 };
    file.seek(SeekFrom::Start(header + 4 + times + 16))?;
    let one = 1 << 16;
    for value in [a * one, b * one, 0, c * one, d * one, 0, 0, 0, 1 << 30] {
        file.write_all(&value.to_be_bytes())?;
    }
    file.sync_all()
}

/// Contents (begin, end) of the first box of a kind between two places of the file.
fn find(file: &mut (impl Read + Seek), kind: [u8; 4], mut at: u64, end: u64) -> io::Result<(u64, u64)> {
    while at + 8 <= end {
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let [s0, s1, s2, s3, k0, k1, k2, k3] = head;
        let (size, head_size) = match u32::from_be_bytes([s0, s1, s2, s3]) {
            0 => (end - at, 8),
            1 => {
                let mut long = [0; 8];
                file.read_exact(&mut long)?;
                (u64::from_be_bytes(long), 16)
            }
            short => (u64::from(short), 8),
        };
        if size < head_size {
            break;
        }
        if [k0, k1, k2, k3] == kind {
            return Ok((at + head_size, at + size));
        }
        at += size;
    }
    Err(io::Error::new(
        io::ErrorKind::InvalidData,
        format!("no box {} in the film", String::from_utf8_lossy(&kind)),
    ))
}
