//! Who is asking: tokens, sessions, and a brake on guessing.

use std::{
    collections::{BTreeMap, VecDeque},
    net::IpAddr,
    sync::{Mutex, MutexGuard, PoisonError, RwLock},
    time::{Duration, Instant},
};

use axum::http::{HeaderMap, header};

use crate::secret::{Secret, SecretError, new_token};

/// Name of the session cookie.
pub(crate) const COOKIE: &str = "checkrail-session";
/// A session ends when it was not used for this long.
const IDLE: Duration = Duration::from_secs(12 * 3600);
/// Sessions kept; the one unused longest goes first.
const SESSIONS: usize = 64;
/// Wrong tokens allowed in [`GUESS_WINDOW`] from one address, and from all together.
const GUESSES: (usize, usize) = (5, 50);
/// See [`GUESSES`].
const GUESS_WINDOW: Duration = Duration::from_secs(60);
/// Longest name of a person. Unit: characters.
pub(crate) const NAME: usize = 40;

/// What somebody may do.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) enum Role {
    /// Look.
    Reader,
    /// Look and act, under this name.
    Operator(String),
}

/// Why somebody may not.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Denied {
    /// No token, or a wrong one.
    SignIn,
    /// Too many wrong tokens.
    TooMany,
}

/// The door.
pub(crate) struct Auth {
    tokens: RwLock<Tokens>,
    inner: Mutex<Inner>,
}

#[derive(Clone, Copy)]
struct Tokens {
    operator: Secret,
    reader: Option<Secret>,
}

#[derive(Default)]
struct Inner {
    sessions: Vec<Session>,
    guesses: BTreeMap<IpAddr, VecDeque<Instant>>,
}

struct Session {
    secret: Secret,
    role: Role,
    used: Instant,
}

impl Auth {
    pub(crate) fn new(operator: &str, reader: Option<&str>) -> Self {
        let tokens = Tokens { operator: Secret::new(operator), reader: reader.map(Secret::new) };
        Self { tokens: RwLock::new(tokens), inner: Mutex::default() }
    }

    /// Goes on with other tokens. Whoever signed in by one that changed has to sign in again.
    pub(crate) fn renew(&self, operator: Option<&str>, reader: Option<&str>) {
        let old = self.tokens();
        let operator = operator.map_or(old.operator, Secret::new);
        let reader = reader.map(Secret::new);
        let same = match (&old.reader, &reader) {
            (Some(old), Some(new)) => old.same(new),
            (None, None) => true,
            (Some(_), None) | (None, Some(_)) => false,
        };
        if old.operator.same(&operator) && same {
            return;
        }
        *self.tokens.write().unwrap_or_else(PoisonError::into_inner) = Tokens { operator, reader };
        self.lock().sessions.clear();
    }

    fn tokens(&self) -> Tokens {
        *self.tokens.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// Opens a session for the holder of a token; gives the secret for the cookie.
    ///
    /// # Errors
    /// [`Denied`]; the inner error when the system has no random source.
    pub(crate) fn sign_in(
        &self,
        from: IpAddr,
        token: &str,
        name: &str,
    ) -> Result<Result<(String, Role), SecretError>, Denied> {
        let role = self.token_role(from, token, name)?;
        Ok(new_token().map(|secret| {
            self.lock().open(Secret::new(&secret), role.clone());
            (secret, role)
        }))
    }

    /// Ends the session of a cookie.
    pub(crate) fn sign_out(&self, headers: &HeaderMap) {
        if let Some(cookie) = cookie(headers) {
            let secret = Secret::new(cookie);
            self.lock().sessions.retain(|it| !it.secret.same(&secret));
        }
    }

    /// What the sender of these headers may do; `Ok(None)`: not signed in.
    ///
    /// # Errors
    /// [`Denied`] for a wrong bearer token or a session that is over.
    pub(crate) fn role(&self, from: IpAddr, headers: &HeaderMap) -> Result<Option<Role>, Denied> {
        if let Some(token) = bearer(headers) {
            let name = headers.get("checkrail-operator").and_then(|it| it.to_str().ok());
            return self.token_role(from, token, name.unwrap_or("token")).map(Some);
        }
        Ok(cookie(headers).and_then(|it| self.lock().session(&Secret::new(it))))
    }

    /// Reading needs a token.
    pub(crate) fn guards_reading(&self) -> bool {
        self.tokens().reader.is_some()
    }

    fn token_role(&self, from: IpAddr, token: &str, name: &str) -> Result<Role, Denied> {
        if self.lock().is_guessing(from) {
            return Err(Denied::TooMany);
        }
        let tokens = self.tokens();
        if tokens.operator.matches(token).into() {
            return Ok(Role::Operator(person(name)));
        }
        if tokens.reader.is_some_and(|it| it.matches(token).into()) {
            return Ok(Role::Reader);
        }
        self.lock().guessed(from);
        Err(Denied::SignIn)
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn open(&mut self, secret: Secret, role: Role) {
        let now = Instant::now();
        self.sessions.retain(|it| now.duration_since(it.used) < IDLE);
        if self.sessions.len() >= SESSIONS {
            let oldest = (0..self.sessions.len()).min_by_key(|&at| self.sessions[at].used);
            oldest.map(|at| self.sessions.swap_remove(at));
        }
        self.sessions.push(Session { secret, role, used: now });
    }

    fn session(&mut self, secret: &Secret) -> Option<Role> {
        let now = Instant::now();
        // Every session is compared, so that the time taken does not tell which one matched.
        let mut found = None;
        for session in &mut self.sessions {
            if session.secret.same(secret) && now.duration_since(session.used) < IDLE {
                session.used = now;
                found = Some(session.role.clone());
            }
        }
        found
    }

    fn is_guessing(&mut self, from: IpAddr) -> bool {
        let now = Instant::now();
        self.guesses.retain(|_, times| {
            times.retain(|it| now.duration_since(*it) < GUESS_WINDOW);
            !times.is_empty()
        });
        let own = self.guesses.get(&from).map_or(0, VecDeque::len);
        let all: usize = self.guesses.values().map(VecDeque::len).sum();
        own >= GUESSES.0 || all >= GUESSES.1
    }

    fn guessed(&mut self, from: IpAddr) {
        self.guesses.entry(from).or_default().push_back(Instant::now());
    }
}

/// A name as it goes into the record: one line, not empty, not long.
fn person(name: &str) -> String {
    let clean: String = name.chars().filter(|it| !it.is_control()).take(NAME).collect();
    let clean = clean.trim();
    if clean.is_empty() { "operator".to_owned() } else { clean.to_owned() }
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token.trim())
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|it| it.to_str().ok());
    all.flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value)
}

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use super::*;

    const HERE: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
    const THERE: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7));

    fn headers(name: header::HeaderName, value: &str) -> HeaderMap {
        HeaderMap::from_iter([(name, value.parse().unwrap())])
    }

    #[test]
    fn each_token_gives_its_role() {
        let auth = Auth::new("op", Some("look"));
        let cases = [
            ("Bearer op", Ok(Some(Role::Operator("token".to_owned())))),
            ("bearer look", Ok(Some(Role::Reader))),
            ("Bearer nope", Err(Denied::SignIn)),
            ("Basic op", Ok(None)),
        ];
        for (value, want) in cases {
            assert_eq!(auth.role(HERE, &headers(header::AUTHORIZATION, value)), want, "{value}");
        }
    }

    #[test]
    fn a_session_works_until_it_is_ended() {
        let auth = Auth::new("op", None);
        let (secret, role) = auth.sign_in(HERE, "op", " Ines\n").unwrap().unwrap();
        assert_eq!(role, Role::Operator("Ines".to_owned()));
        let headers = headers(header::COOKIE, &format!("a=b; {COOKIE}={secret}"));
        assert_eq!(auth.role(HERE, &headers), Ok(Some(role)));
        auth.sign_out(&headers);
        assert_eq!(auth.role(HERE, &headers), Ok(None));
    }

    #[test]
    fn guessing_is_stopped_by_address_and_the_right_token_waits_too() {
        let auth = Auth::new("op", None);
        for _ in 0..5 {
            assert_eq!(auth.sign_in(HERE, "guess", "x").err(), Some(Denied::SignIn));
        }
        assert_eq!(auth.sign_in(HERE, "op", "x").err(), Some(Denied::TooMany));
        assert!(auth.sign_in(THERE, "op", "x").is_ok(), "another address is not stopped");
    }

    #[test]
    fn sessions_are_bounded_and_the_one_unused_longest_goes() {
        let auth = Auth::new("op", None);
        let first = auth.sign_in(HERE, "op", "first").unwrap().unwrap().0;
        for _ in 0..SESSIONS {
            let _ = auth.sign_in(HERE, "op", "more").unwrap().unwrap();
        }
        let gone = headers(header::COOKIE, &format!("{COOKIE}={first}"));
        assert_eq!(auth.role(HERE, &gone), Ok(None));
        assert_eq!(auth.lock().sessions.len(), SESSIONS);
    }
}
