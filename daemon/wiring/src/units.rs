//! Quantities. Integers for what is measured or compared, so that they order, hash and replay exactly.

use std::fmt;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident($inner:ty)) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, Eq, Hash, Ord, PartialEq, PartialOrd)]
        pub struct $name(pub $inner);

        impl $name {
            /// Nothing of it.
            pub const ZERO: Self = Self(0);
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0.saturating_add(other.0))
            }
        }

        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0.saturating_sub(other.0))
            }
        }
    };
}

quantity! {
    /// Electric current. Unit: microampere.
    Microamps(i64)
}
quantity! {
    /// Voltage. Unit: millivolt.
    Millivolts(i64)
}
quantity! {
    /// Resistance. Unit: microohm.
    Microohms(u64)
}
quantity! {
    /// Length. Unit: micrometre, so that inches and feet are exact.
    Micrometres(u64)
}
quantity! {
    /// A span of time. Unit: microsecond.
    Micros(u64)
}
quantity! {
    /// Temperature. Unit: thousandth of a degree Celsius.
    Millicelsius(i32)
}
quantity! {
    /// Let-through energy. Unit: microampere-squared second, that is 1e-6 A2s.
    MicroA2s(u64)
}

/// An instant: microseconds since the daemon's start, or since the zero of a journal. Never decreases.
#[derive(Clone, Copy, Debug, Default, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Mono(pub u64);

impl Mono {
    /// The start of the time axis.
    pub const START: Self = Self(0);

    /// Time since `earlier`; zero when `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Self) -> Micros {
        Micros(self.0.saturating_sub(earlier.0))
    }

    /// Seconds, for texts and files.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl std::ops::Add<Micros> for Mono {
    type Output = Self;
    fn add(self, span: Micros) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl std::ops::Sub<Micros> for Mono {
    type Output = Self;
    fn sub(self, span: Micros) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Micros {
    /// Whole milliseconds as a span.
    #[must_use]
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis * 1000)
    }

    /// Seconds, for formulas and texts.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl Microamps {
    /// From whole milliamperes.
    #[must_use]
    pub const fn from_milliamps(milliamps: i64) -> Self {
        Self(milliamps * 1000)
    }

    /// Amperes, for formulas and texts.
    #[must_use]
    pub fn amps(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// From amperes, rounded to the microampere. Not finite becomes zero.
    #[must_use]
    pub fn from_amps(amps: f64) -> Self {
        Self((amps * 1e6).round() as i64)
    }

    /// `percent` of this current.
    #[must_use]
    pub const fn percent(self, percent: i64) -> Self {
        Self(self.0 * percent / 100)
    }
}

impl Millivolts {
    /// Volts, for formulas and texts.
    #[must_use]
    pub fn volts(self) -> f64 {
        self.0 as f64 / 1e3
    }

    /// `percent` of this voltage.
    #[must_use]
    pub const fn percent(self, percent: i64) -> Self {
        Self(self.0 * percent / 100)
    }
}

impl Microohms {
    /// Ohms, for formulas and texts.
    #[must_use]
    pub fn ohms(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl Micrometres {
    /// Metres, for formulas and texts.
    #[must_use]
    pub fn metres(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

impl Millicelsius {
    /// Degrees Celsius.
    #[must_use]
    pub fn celsius(self) -> f64 {
        f64::from(self.0) / 1e3
    }
}

/// Size of a wire.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Gauge {
    /// American wire gauge; 0, -1, -2, -3 stand for 1/0 to 4/0.
    Awg(i16),
    /// Cross-section. Unit: square micrometre (1 mm2 is 1 000 000).
    Area(u64),
}

impl fmt::Display for Microamps {
    /// `2.31 A`, or `12 mA` below a tenth of an ampere.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.abs() < 100_000 {
            write!(out, "{} mA", trimmed(self.0 as f64 / 1e3, 1))
        } else {
            write!(out, "{} A", trimmed(self.amps(), 2))
        }
    }
}

impl fmt::Display for Millivolts {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} V", trimmed(self.volts(), 2))
    }
}

impl fmt::Display for Microohms {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 1_000_000 {
            write!(out, "{} mohm", trimmed(self.0 as f64 / 1e3, 1))
        } else {
            write!(out, "{} ohm", trimmed(self.ohms(), 2))
        }
    }
}

impl fmt::Display for Micrometres {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} m", trimmed(self.metres(), 3))
    }
}

impl fmt::Display for Micros {
    /// `40 ms` below two seconds, `2.5 s` from there.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 2_000_000 {
            write!(out, "{} ms", trimmed(self.0 as f64 / 1e3, 1))
        } else {
            write!(out, "{} s", trimmed(self.seconds(), 2))
        }
    }
}

impl fmt::Display for Millicelsius {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} C", trimmed(self.celsius(), 1))
    }
}

impl fmt::Display for MicroA2s {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} A2s", trimmed(self.0 as f64 / 1e6, 3))
    }
}

impl fmt::Display for Gauge {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Awg(number @ 0..) if *number > 0 => write!(out, "{number} AWG"),
            Self::Awg(number) => write!(out, "{}/0 AWG", 1 - number),
            Self::Area(area) => write!(out, "{} mm2", trimmed(*area as f64 / 1e6, 3)),
        }
    }
}

/// A number with at most `places` decimals and no trailing zeros.
fn trimmed(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_as_a_person_writes_them() {
        let cases: [(String, &str); 9] = [
            (Microamps(2_310_000).to_string(), "2.31 A"),
            (Microamps(12_000).to_string(), "12 mA"),
            (Millivolts(15_000).to_string(), "15 V"),
            (Microohms(40_000).to_string(), "40 mohm"),
            (Micros(40_000).to_string(), "40 ms"),
            (Micros(2_500_000).to_string(), "2.5 s"),
            (Gauge::Awg(14).to_string(), "14 AWG"),
            (Gauge::Awg(-1).to_string(), "2/0 AWG"),
            (Gauge::Area(1_500_000).to_string(), "1.5 mm2"),
        ];
        for (got, want) in cases {
            assert_eq!(got, want);
        }
    }
}
