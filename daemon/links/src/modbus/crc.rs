//! CRC-16/MODBUS: polynomial 0x8005 reflected, start 0xFFFF, sent low byte first.
//!
//! Source: MODBUS over Serial Line, Specification and Implementation Guide V1.02, section 6.2.2. Check value of
//! "123456789": 0x4B37.

/// The check of some bytes.
#[must_use]
pub fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |sum, byte| {
        (0..8).fold(sum ^ u16::from(*byte), |sum, _| {
            if sum & 1 == 1 { (sum >> 1) ^ 0xA001 } else { sum >> 1 }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_value_is_the_published_one() {
        assert_eq!(crc(b"123456789"), 0x4B37);
    }

    #[test]
    fn a_frame_with_its_check_leaves_nothing() {
        assert_eq!(crc(&[0x01, 0x04, 0x00, 0x00, 0x00, 0x04, 0xF1, 0xC9]), 0);
    }
}
