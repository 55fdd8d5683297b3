//! The parameter section: groups of named arrays.

use std::collections::BTreeMap;

use super::BLOCK;
use super::bytes::Processor;

/// What an array holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Characters,
    Bytes,
    Integers,
    Floats,
}

/// One named array.
#[derive(Debug)]
struct Parameter<'a> {
    kind: Kind,
    /// Length of one text, for characters.
    first_dimension: usize,
    data: &'a [u8],
}

/// All parameters of a file.
#[derive(Debug)]
pub(super) struct Parameters<'a> {
    pub(super) processor: Processor,
    by_name: BTreeMap<(String, String), Parameter<'a>>,
}

impl<'a> Parameters<'a> {
    /// Reads the section that starts at byte `start`.
    pub(super) fn read(bytes: &'a [u8], start: usize) -> Result<Self, String> {
        let cut = || "it ends within its parameters".to_owned();
        let head = bytes.get(start..start + 4).ok_or_else(cut)?;
        let processor = Processor::numbered(head[3])
            .ok_or_else(|| format!("its processor number is {}, not 84, 85 or 86", head[3]))?;
        // A count of 0 blocks is written by some programs; the records say themselves where they end.
        let blocks = if head[2] == 0 {
            usize::MAX / BLOCK
        } else {
            usize::from(head[2])
        };
        let end = start.saturating_add(blocks * BLOCK).min(bytes.len());
        let section = &bytes[..end];
        let mut groups: BTreeMap<u8, String> = BTreeMap::new();
        let mut arrays: Vec<(u8, String, Parameter<'a>)> = Vec::new();
        let mut at = start + 4;
        while let (Some(&length), Some(&group)) = (section.get(at), section.get(at + 1)) {
            // A negative length locks the name.
            let name_length = usize::from(length.cast_signed().unsigned_abs());
            if name_length == 0 {
                break;
            }
            let offset_at = at + 2 + name_length;
            let name = section.get(at + 2..offset_at).ok_or_else(cut)?;
            let name = String::from_utf8_lossy(name).trim().to_uppercase();
            let offset = usize::from(processor.u16_at(section, offset_at).ok_or_else(cut)?);
            let group_number = group.cast_signed();
            if group_number < 0 {
                groups.insert(group_number.unsigned_abs(), name);
            } else if let Some(parameter) = Parameter::read(section, offset_at + 2) {
                arrays.push((group_number.unsigned_abs(), name, parameter));
            } else {
                return Err(cut());
            }
            if offset == 0 {
                break;
            }
            at = offset_at + offset;
        }
        let by_name = arrays
            .into_iter()
            .filter_map(|(group, name, p)| Some(((groups.get(&group)?.clone(), name), p)))
            .collect();
        Ok(Self { processor, by_name })
    }

    fn get(&self, group: &str, name: &str) -> Option<&Parameter<'a>> {
        self.by_name.get(&(group.to_owned(), name.to_owned()))
    }

    /// The numbers of an array; integers count without sign, as frame and point counts need.
    pub(super) fn numbers(&self, group: &str, name: &str) -> Vec<f64> {
        let Some(parameter) = self.get(group, name) else {
            return Vec::new();
        };
        let data = parameter.data;
        match parameter.kind {
            Kind::Characters => Vec::new(),
            Kind::Bytes => data.iter().map(|b| f64::from(*b)).collect(),
            Kind::Integers => (0..data.len() / 2)
                .filter_map(|i| self.processor.u16_at(data, 2 * i).map(f64::from))
                .collect(),
            Kind::Floats => (0..data.len() / 4)
                .filter_map(|i| self.processor.f32_at(data, 4 * i).map(f64::from))
                .collect(),
        }
    }

    /// The first number of an array.
    pub(super) fn number(&self, group: &str, name: &str) -> Option<f64> {
        self.numbers(group, name).first().copied()
    }

    /// The texts of an array, without the spaces that fill them.
    pub(super) fn texts(&self, group: &str, name: &str) -> Vec<String> {
        match self.get(group, name) {
            Some(p) if p.kind == Kind::Characters && p.first_dimension > 0 => p
                .data
                .chunks(p.first_dimension)
                .map(|text| {
                    String::from_utf8_lossy(text)
                        .trim_matches(|c: char| c.is_whitespace() || c == '\0')
                        .to_owned()
                })
                .collect(),
            _ => Vec::new(),
        }
    }
}

impl<'a> Parameter<'a> {
    /// Kind, dimensions and data from byte `at`; `None` when the section ends before.
    fn read(section: &'a [u8], at: usize) -> Option<Self> {
        let kind = match section.get(at)?.cast_signed() {
            -1 => Kind::Characters,
            1 => Kind::Bytes,
            2 => Kind::Integers,
            4 => Kind::Floats,
            _ => return None,
        };
        let count = usize::from(*section.get(at + 1)?);
        let dimensions = section.get(at + 2..at + 2 + count)?;
        let size = match kind {
            Kind::Characters | Kind::Bytes => 1,
            Kind::Integers => 2,
            Kind::Floats => 4,
        };
        let length = dimensions
            .iter()
            .try_fold(size, |product: usize, d| product.checked_mul(usize::from(*d)))?;
        let from = at + 2 + count;
        Some(Self {
            kind,
            first_dimension: dimensions.first().map_or(1, |d| usize::from(*d)),
            data: section.get(from..from.checked_add(length)?)?,
        })
    }
}
