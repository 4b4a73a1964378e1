//! CRC-16/IBM-3740: width 16, polynomial 0x1021, initial 0xFFFF, not reflected, final xor 0.

/// The check of a text.
#[must_use]
pub fn crc(text: &[u8]) -> u16 {
    text.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ (u16::from(*byte) << 8), |crc, _| {
            if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ 0x1021 }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: line-protocol page of the project, which gives the catalogue's check value.
    #[test]
    fn the_check_value_of_the_catalogue_comes_out() {
        assert_eq!(crc(b"123456789"), 0x29B1);
    }
}
