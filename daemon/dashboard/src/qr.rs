//! A code that leads a phone to a machine's page.

use std::{fmt::Write as _, net::SocketAddr};

use qrcode::{Color, EcLevel, QrCode};

/// Modules of quiet zone around a code: ISO/IEC 18004 asks for four.
const QUIET: usize = 4;

/// The dashboard as another device reaches it; none when it listens on this computer only, or on all its addresses, of
/// which a sheet cannot tell one.
#[must_use]
pub fn reachable(listen: &str) -> Option<String> {
    let is_for_others = match listen.parse::<SocketAddr>() {
        Ok(address) => !address.ip().is_loopback() && !address.ip().is_unspecified(),
        Err(_) => {
            listen.rsplit_once(':').is_some_and(|(host, _)| host != "localhost" && !host.is_empty())
        }
    };
    is_for_others.then(|| format!("http://{listen}"))
}

/// A code as a drawing in black on white.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Code {
    /// Width and height with the quiet zone. Unit: modules.
    pub size: usize,
    /// The dark modules, as the path of an SVG drawing of that size.
    pub path: String,
}

/// The code of an address; none when the address is too long for one.
#[must_use]
pub fn code(address: &str) -> Option<Code> {
    let code = QrCode::with_error_correction_level(address, EcLevel::M).ok()?;
    let width = code.width();
    let mut path = String::new();
    for (at, colour) in code.to_colors().into_iter().enumerate() {
        if colour == Color::Dark {
            let _ = write!(path, "M{} {}h1v1h-1z", at % width + QUIET, at / width + QUIET);
        }
    }
    Some(Code { size: width + 2 * QUIET, path })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_an_address_that_others_reach_gets_a_code() {
        let cases = [
            ("127.0.0.1:8080", None),
            ("[::1]:8080", None),
            ("localhost:8080", None),
            ("0.0.0.0:8080", None),
            ("192.168.1.20:8080", Some("http://192.168.1.20:8080")),
            ("railroad.lan:8080", Some("http://railroad.lan:8080")),
        ];
        for (listen, want) in cases {
            assert_eq!(reachable(listen).as_deref(), want, "{listen}");
        }
    }

    #[test]
    fn a_code_has_the_three_corner_marks() {
        let code = code("http://192.168.1.20:8080/commission/T1").expect("short enough");
        for corner in ["M4 4h1", "M10 4h1", "M4 10h1"] {
            assert!(code.path.contains(corner), "{corner}");
        }
        // ISO/IEC 18004: a side has 17 modules and four more for each version.
        assert_eq!((code.size - 2 * QUIET - 17) % 4, 0);
    }
}
