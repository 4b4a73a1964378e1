//! Fault scenarios as data: what is done to the layout, and what a good supervisor makes of it.

/// What a good supervisor does.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Expected {
    /// Cuts the district.
    Cut,
    /// Tells, and leaves the power on.
    Alarm,
    /// Either is right: it clears by itself, or a breaker may be faster.
    CutOrAlarm,
    /// Nothing at all.
    Nothing,
}

/// One scenario.
#[derive(Clone, Copy, Debug)]
pub struct Scenario {
    /// `F01` …
    pub id: &'static str,
    /// What happens.
    pub name: &'static str,
    /// What a good supervisor does.
    pub expected: Expected,
    /// The diagnosis, in words.
    pub diagnosis: &'static str,
    /// What to do, in words.
    pub action: &'static str,
    /// Ids of what it must be told from.
    pub look_alikes: &'static [&'static str],
    /// It can be injected; none where this simulator cannot bring it about, with the reason.
    pub missing: Option<&'static str>,
}

/// All scenarios.
pub const SCENARIOS: &[Scenario] = &[];

/// The scenario of an id.
#[must_use]
pub fn find(id: &str) -> Option<&'static Scenario> {
    SCENARIOS.iter().find(|scenario| scenario.id == id)
}
