//! Packed bodies: meshes, rigs and skin weights made by `models/bodies/pack_bodies.py`, which documents the file.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use nalgebra::Vector3;

use crate::scene::rig::{BONE_COUNT, Rig};
use crate::skeleton::{JOINT_COUNT, PerJoint};

/// First bytes of a packed file.
const MAGIC: &[u8; 8] = b"TMBODIES";
/// The layout this program reads.
const VERSION: u32 = 1;
/// Tracked joints, then index and little finger knuckles of both hands.
const POINT_COUNT: usize = JOINT_COUNT + 4;
/// Bound on every count of the header: a damaged file must not ask for gigabytes.
const COUNT_LIMIT: u32 = 1_000_000;

/// What a mesh vertex belongs to; the numbers are those of the packed file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(missing_docs, reason = "the names say it")]
pub enum Part {
    Skin,
    Lips,
    Brow,
    Scalp,
    Eye,
    Hand,
    Jersey,
    Sleeve,
    Belt,
    Trousers,
    Shoe,
    Sole,
}

impl Part {
    const ALL: [Part; 12] = [
        Part::Skin,
        Part::Lips,
        Part::Brow,
        Part::Scalp,
        Part::Eye,
        Part::Hand,
        Part::Jersey,
        Part::Sleeve,
        Part::Belt,
        Part::Trousers,
        Part::Shoe,
        Part::Sole,
    ];
}

/// What all bodies of a file share.
#[derive(Debug)]
pub struct Topology {
    /// What each vertex belongs to.
    pub parts: Vec<Part>,
    /// Vertex indices, counterclockwise seen from outside.
    pub triangles: Vec<[u32; 3]>,
    /// Up to four bones that move each vertex, with weights that sum to 1.
    pub skin: Vec<[(u8, f32); 4]>,
}

/// One body in rest pose; body coordinates as in [`crate::scene::rig`].
#[derive(Clone, Debug)]
pub struct Body {
    /// Its name in the file.
    pub name: String,
    /// Bones and tracked joints.
    pub rig: Rig,
    /// Mesh vertices, metres.
    pub vertices_m: Vec<Vector3<f32>>,
    /// Index and little finger knuckles, `[left, right]` of `[index, little]`, metres.
    pub finger_knuckles_m: [[Vector3<f64>; 2]; 2],
    /// Triangles, parts and skin weights.
    pub topology: Arc<Topology>,
}

/// All bodies of a packed file, in its order.
#[derive(Clone, Debug)]
pub struct BodyLibrary {
    /// The bodies.
    pub bodies: Vec<Body>,
}

/// Why a packed body file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum BodyError {
    /// The file cannot be read.
    #[error("the body file {path} cannot be read ({source}); make it with models/bodies/pack_bodies.py")]
    Unreadable {
        /// Where it was looked for.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Not a packed body file, or of another version.
    #[error("not a body file of version {VERSION}; make it anew with models/bodies/pack_bodies.py")]
    WrongKind,
    /// Shorter than its header says, or a number out of its range.
    #[error("the body file is damaged at byte {at} ({what}); make it anew with models/bodies/pack_bodies.py")]
    Damaged {
        /// Offset of the trouble.
        at: usize,
        /// What was being read.
        what: &'static str,
    },
    /// No body of that name.
    #[error("no body named '{name}'; there are: {known}")]
    UnknownBody {
        /// What was asked for.
        name: String,
        /// All names.
        known: String,
    },
}

impl BodyLibrary {
    /// Reads a packed file.
    ///
    /// # Errors
    /// See [`BodyError`].
    pub fn open(path: &Path) -> Result<Self, BodyError> {
        let bytes = std::fs::read(path).map_err(|source| BodyError::Unreadable {
            path: path.to_owned(),
            source,
        })?;
        Self::parse(&bytes)
    }

    /// Parses a packed file's bytes.
    ///
    /// # Errors
    /// See [`BodyError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, BodyError> {
        let mut reader = Reader { bytes, at: 0 };
        if reader.take(MAGIC.len(), "magic").ok() != Some(MAGIC.as_slice())
            || reader.u32("version")? != VERSION
        {
            return Err(BodyError::WrongKind);
        }
        let body_count = reader.count("bodies")?;
        let vertex_count = reader.count("vertices")?;
        let triangle_count = reader.count("triangles")?;
        if reader.count("bones")? != BONE_COUNT || reader.count("points")? != POINT_COUNT {
            return Err(BodyError::WrongKind);
        }
        let parts = reader.parts(vertex_count)?;
        let triangles = reader.triangles(triangle_count, vertex_count)?;
        let skin = reader.skin(vertex_count)?;
        let topology = Arc::new(Topology {
            parts,
            triangles,
            skin,
        });
        let bodies = (0..body_count)
            .map(|_| reader.body(vertex_count, &topology))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self { bodies })
    }

    /// The body of a name.
    ///
    /// # Errors
    /// [`BodyError::UnknownBody`].
    pub fn named(&self, name: &str) -> Result<&Body, BodyError> {
        self.bodies
            .iter()
            .find(|b| b.name == name)
            .ok_or_else(|| BodyError::UnknownBody {
                name: name.to_owned(),
                known: self
                    .bodies
                    .iter()
                    .map(|b| b.name.as_str())
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }
}

/// Walks through the bytes.
struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    fn damaged(&self, what: &'static str) -> BodyError {
        BodyError::Damaged { at: self.at, what }
    }

    fn take(&mut self, count: usize, what: &'static str) -> Result<&'a [u8], BodyError> {
        let end = self.at.checked_add(count).ok_or_else(|| self.damaged(what))?;
        let slice = self.bytes.get(self.at..end).ok_or_else(|| self.damaged(what))?;
        self.at = end;
        Ok(slice)
    }

    fn u32(&mut self, what: &'static str) -> Result<u32, BodyError> {
        let b = self.take(4, what)?;
        Ok(u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
    }

    fn f32(&mut self, what: &'static str) -> Result<f32, BodyError> {
        let value = f32::from_bits(self.u32(what)?);
        if value.is_finite() {
            Ok(value)
        } else {
            Err(self.damaged(what))
        }
    }

    fn count(&mut self, what: &'static str) -> Result<usize, BodyError> {
        match self.u32(what)? {
            n if n <= COUNT_LIMIT => Ok(n as usize),
            _ => Err(self.damaged(what)),
        }
    }

    fn parts(&mut self, vertex_count: usize) -> Result<Vec<Part>, BodyError> {
        self.take(vertex_count, "parts")?
            .iter()
            .map(|&p| {
                Part::ALL
                    .get(usize::from(p))
                    .copied()
                    .ok_or_else(|| self.damaged("part"))
            })
            .collect()
    }

    fn triangles(&mut self, count: usize, vertex_count: usize) -> Result<Vec<[u32; 3]>, BodyError> {
        let mut triangles = Vec::with_capacity(count);
        for _ in 0..count {
            let corners = [
                self.u32("triangle")?,
                self.u32("triangle")?,
                self.u32("triangle")?,
            ];
            if corners.iter().any(|&c| c as usize >= vertex_count) {
                return Err(self.damaged("triangle"));
            }
            triangles.push(corners);
        }
        Ok(triangles)
    }

    fn skin(&mut self, vertex_count: usize) -> Result<Vec<[(u8, f32); 4]>, BodyError> {
        let bones = self.take(4 * vertex_count, "skin bones")?;
        let mut skin = Vec::with_capacity(vertex_count);
        for of_vertex in bones.chunks_exact(4) {
            let mut entry = [(0, 0.0); 4];
            for (slot, &bone) in entry.iter_mut().zip(of_vertex) {
                if usize::from(bone) >= BONE_COUNT {
                    return Err(self.damaged("skin bone"));
                }
                *slot = (bone, self.f32("skin weight")?);
            }
            skin.push(entry);
        }
        Ok(skin)
    }

    fn vector(&mut self, what: &'static str) -> Result<Vector3<f32>, BodyError> {
        Ok(Vector3::new(self.f32(what)?, self.f32(what)?, self.f32(what)?))
    }

    fn body(&mut self, vertex_count: usize, topology: &Arc<Topology>) -> Result<Body, BodyError> {
        let name = String::from_utf8_lossy(self.take(32, "name")?)
            .trim_end_matches('\0')
            .to_owned();
        let height_m = f64::from(self.f32("height")?);
        let vertices_m = (0..vertex_count)
            .map(|_| self.vector("vertex"))
            .collect::<Result<Vec<_>, _>>()?;
        let mut heads_m = [Vector3::zeros(); BONE_COUNT];
        for head in &mut heads_m {
            *head = self.vector("bone head")?.cast();
        }
        let mut points = [Vector3::zeros(); POINT_COUNT];
        for point in &mut points {
            *point = self.vector("point")?.cast();
        }
        let extra = |i: usize| points[JOINT_COUNT + i];
        Ok(Body {
            name,
            rig: Rig {
                heads_m,
                joints_m: PerJoint::from_fn(|joint| points[joint.index()]),
                height_m,
            },
            vertices_m,
            finger_knuckles_m: [[extra(0), extra(1)], [extra(2), extra(3)]],
            topology: Arc::clone(topology),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_foreign_or_cut_file_is_refused_without_a_panic() {
        assert!(matches!(
            BodyLibrary::parse(b"PNG...."),
            Err(BodyError::WrongKind)
        ));
        let mut bytes = MAGIC.to_vec();
        for n in [VERSION, 1, 4, 2, BONE_COUNT as u32, POINT_COUNT as u32] {
            bytes.extend(n.to_le_bytes());
        }
        bytes.extend([0, 1, 2, 3, 0, 0, 0]);
        assert!(matches!(
            BodyLibrary::parse(&bytes),
            Err(BodyError::Damaged { .. })
        ));
    }
}
