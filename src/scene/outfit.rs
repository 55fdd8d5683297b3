//! What a person wears: colours and number, drawn from a seed.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::scene::material::{Colour, srgb};
use crate::skeleton::Side;

/// How a person is dressed.
#[derive(Clone, Debug)]
pub struct Outfit {
    /// Skin.
    pub skin: Colour,
    /// Hair and brows.
    pub hair: Colour,
    /// Jersey.
    pub jersey: Colour,
    /// Sleeves.
    pub sleeves: Colour,
    /// Number and piping.
    pub print: Colour,
    /// Pinstripes on jersey and trousers.
    pub striped: bool,
    /// Trousers.
    pub trousers: Colour,
    /// Cap.
    pub cap: Colour,
    /// Shoes.
    pub shoes: Colour,
    /// Number on the jersey, 0..=99.
    pub number: u8,
    /// Which hand wears a glove.
    pub glove: Option<Side>,
}

impl Outfit {
    /// An outfit drawn from a seed.
    #[must_use]
    pub fn seeded(seed: u64, glove: Option<Side>) -> Self {
        const SKINS: [u32; 6] = [0xE8B998, 0xD8A07A, 0xC58C65, 0x9C6B48, 0x7A4E33, 0x573523];
        const HAIRS: [u32; 5] = [0x1A1411, 0x2E2018, 0x4A3222, 0x7A5A38, 0x20202A];
        const TEAM: [u32; 7] = [
            0x1E3E7A, 0x8E1B2A, 0x1C5A3A, 0x2A2A30, 0xC4581C, 0x4A2A72, 0x15708A,
        ];
        const LIGHT: [u32; 4] = [0xE6E6E2, 0xD5D8DC, 0xE2DCC8, 0xC9CFD8];
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0D4E_55ED);
        let mut pick = |from: &[u32]| srgb(from[rng.random_range(0..from.len())]);
        let (skin, hair, team, light) = (pick(&SKINS), pick(&HAIRS), pick(&TEAM), pick(&LIGHT));
        let coloured_jersey = rng.random_bool(0.5);
        let (jersey, print) = if coloured_jersey {
            (team, light)
        } else {
            (light, team)
        };
        let grey_trousers = rng.random_bool(0.35);
        Self {
            skin,
            hair,
            jersey,
            sleeves: if rng.random_bool(0.3) { print } else { jersey },
            print,
            striped: !coloured_jersey && rng.random_bool(0.4),
            trousers: if grey_trousers { srgb(0x9A9DA3) } else { light },
            cap: team,
            shoes: if rng.random_bool(0.6) {
                srgb(0x1C1C20)
            } else {
                srgb(0xD0D0D0)
            },
            number: rng.random_range(1..=59),
            glove,
        }
    }
}
