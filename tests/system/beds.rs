//! The layouts that whole-system runs take place on.

use simulator::random::Random;

use crate::trial::bed::Bed;

const TWO_DISTRICTS: &str = include_str!("../layouts/two-districts.toml");
const VALLEY: &str = include_str!("../../config/tamarrow-valley.toml");

/// The layout of a seed: small ones most of the time, with settings that matter to a restart.
pub fn bed(seed: u64) -> Bed {
    let mut random = Random::new(seed, 0xbed);
    match seed % 6 {
        0 => settled("two districts, tries", TWO_DISTRICTS, "restore-tries = 2"),
        1 => settled("two districts, on by itself", TWO_DISTRICTS, "power-on = \"auto\""),
        2 => settled("two districts, cut when blind", TWO_DISTRICTS, "on-stale = \"cut\""),
        3 => uncut_west(),
        4 => Bed::generated(random.bits() % 1_000_000, 6 + random.below(6)),
        _ => Bed::new("Tamarrow Valley".to_owned(), VALLEY),
    }
}

/// One district has no actuator of its own: what is wrong there takes the booster.
fn uncut_west() -> Bed {
    let (before, west) = TWO_DISTRICTS.split_once("[district.west]").expect("the fixture has it");
    let west = west.replacen("cut = true\n", "", 1);
    Bed::new("two districts, one uncut".to_owned(), &format!("{before}[district.west]{west}"))
}

fn settled(name: &str, text: &str, keys: &str) -> Bed {
    Bed::new(name.to_owned(), &format!("{text}\n[protection]\n{keys}\n"))
}
