//! Bytes become numbers, in the order of the processor that wrote them.

/// The processors of the format, by their number in the parameter section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Processor {
    /// Little endian, IEEE 754.
    Intel,
    /// Little endian integers, VAX F floating point.
    Dec,
    /// Big endian, IEEE 754.
    Mips,
}

impl Processor {
    /// By its number.
    pub(super) fn numbered(number: u8) -> Option<Self> {
        match number {
            84 => Some(Self::Intel),
            85 => Some(Self::Dec),
            86 => Some(Self::Mips),
            _ => None,
        }
    }

    /// A 16-bit integer without sign at a place; `None` beyond the end.
    pub(super) fn u16_at(self, bytes: &[u8], at: usize) -> Option<u16> {
        let two = bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(match self {
            Self::Intel | Self::Dec => u16::from_le_bytes(two),
            Self::Mips => u16::from_be_bytes(two),
        })
    }

    /// A 16-bit integer with sign.
    pub(super) fn i16_at(self, bytes: &[u8], at: usize) -> Option<i16> {
        self.u16_at(bytes, at).map(u16::cast_signed)
    }

    /// A 32-bit floating point number.
    pub(super) fn f32_at(self, bytes: &[u8], at: usize) -> Option<f32> {
        let four: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(match self {
            Self::Intel => f32::from_le_bytes(four),
            Self::Mips => f32::from_be_bytes(four),
            // Words exchanged, and an exponent that counts from 128 and a mantissa from a half: four times as large.
            Self::Dec => f32::from_le_bytes([four[2], four[3], four[0], four[1]]) / 4.0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1.0 on the three processors; C3D User Guide, "Floating-point format" (DEC: 80 40 00 00).
    #[test]
    fn one_is_one_on_every_processor() {
        assert_eq!(Processor::Intel.f32_at(&[0, 0, 0x80, 0x3f], 0), Some(1.0));
        assert_eq!(Processor::Mips.f32_at(&[0x3f, 0x80, 0, 0], 0), Some(1.0));
        assert_eq!(Processor::Dec.f32_at(&[0x80, 0x40, 0, 0], 0), Some(1.0));
        assert_eq!(Processor::Intel.u16_at(&[1], 0), None);
        assert_eq!(Processor::Mips.i16_at(&[0xff, 0xfe], 0), Some(-2));
    }
}
