//! Secrets: made from the system's random source, kept as digests, compared in constant time.

use std::{fs::File, io::Read};

use sha2::{Digest, Sha256};
use subtle::{Choice, ConstantTimeEq};

/// The system has no random source.
#[derive(Debug, thiserror::Error)]
#[error("no random numbers from the system")]
pub struct SecretError(#[from] std::io::Error);

/// A new token of 160 bits, in letters and digits that are easy to copy.
///
/// # Errors
/// [`SecretError`] when the system's random source cannot be read.
pub fn new_token() -> Result<String, SecretError> {
    let mut bytes = [0_u8; 20];
    File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().fold(String::with_capacity(40), |text, byte| format!("{text}{byte:02x}")))
}

/// A secret as its digest: what is kept in memory cannot be read back, and comparing takes the same time for any guess.
#[derive(Clone, Copy)]
pub(crate) struct Secret([u8; 32]);

impl Secret {
    pub(crate) fn new(text: &str) -> Self {
        Self(Sha256::digest(text.as_bytes()).into())
    }

    /// Whether `guess` is the secret.
    pub(crate) fn matches(&self, guess: &str) -> Choice {
        self.0.ct_eq(&Self::new(guess).0)
    }

    /// The same secret.
    pub(crate) fn same(&self, other: &Self) -> bool {
        self.0.ct_eq(&other.0).into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_matches_itself_alone() {
        let secret = Secret::new("signal-box");
        for (guess, want) in [("signal-box", true), ("signal-bo", false), ("", false)] {
            assert_eq!(bool::from(secret.matches(guess)), want, "{guess}");
        }
    }

    #[test]
    fn two_new_tokens_differ_and_are_long() {
        let (one, other) = (new_token().unwrap(), new_token().unwrap());
        assert_ne!(one, other);
        assert_eq!(one.len(), 40);
    }
}
