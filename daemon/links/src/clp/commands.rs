//! Commands that wait for an answer: repeated with the same number at 100 ms, twice, then given up.

use std::time::{Duration, Instant};

use supervision::input::OrderId;

/// Time after which an unanswered command is sent again.
const AGAIN_AFTER: Duration = Duration::from_millis(100);
/// How often.
const MOST_REPEATS: u8 = 2;

/// What a command is for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum What {
    /// Start the session.
    Go,
    /// Cut; the number of the node's channel.
    Cut(OrderId, u16),
    /// Ask for a token to switch this channel on.
    Arm(OrderId, u16),
    /// Switch on, with the token.
    On(OrderId, u16),
    /// Throw; accepted first, done later.
    Throw(OrderId, u16),
    /// Send this channel's readings so often. Unit: Hz.
    Rate(u16, u32),
}

/// One command under way.
#[derive(Clone, Debug)]
pub(crate) struct Command {
    pub(crate) seq: u16,
    pub(crate) what: What,
    line: String,
    due: Instant,
    repeats: u8,
    /// A throw that the node accepted and that has not arrived.
    accepted: bool,
}

/// What became due.
#[derive(Debug)]
pub(crate) enum Due {
    /// Send this again.
    Again { line: String, urgent: bool },
    /// No answer came.
    GivenUp(What),
}

/// All commands of one node.
#[derive(Clone, Debug, Default)]
pub(crate) struct Commands(Vec<Command>);

impl Commands {
    pub(crate) fn add(&mut self, seq: u16, what: What, line: String, now: Instant) {
        let due = now + AGAIN_AFTER;
        self.0.push(Command { seq, what, line, due, repeats: 0, accepted: false });
    }

    /// Commands that count against the node's limit.
    pub(crate) fn open(&self) -> usize {
        self.0.iter().filter(|it| !matches!(it.what, What::Cut(..))).count()
    }

    /// A rate was asked for and not answered.
    pub(crate) fn has_rate(&self) -> bool {
        self.0.iter().any(|it| matches!(it.what, What::Rate(..)))
    }

    /// The command that an answer belongs to, taken out.
    pub(crate) fn answered(&mut self, seq: u16) -> Option<What> {
        let at = self.0.iter().position(|it| it.seq == seq)?;
        Some(self.0.remove(at).what)
    }

    /// A throw was accepted: its second answer comes within `longest`.
    pub(crate) fn accepted(&mut self, seq: u16, now: Instant, longest: Duration) -> Option<What> {
        let command = self.0.iter_mut().find(|it| it.seq == seq)?;
        match command.what {
            What::Throw(..) => {
                command.accepted = true;
                command.due = now + longest;
                Some(command.what)
            }
            What::Go | What::Cut(..) | What::Arm(..) | What::On(..) | What::Rate(..) => {
                self.answered(seq)
            }
        }
    }

    /// Takes out what `unwanted` says, for instance cuts that were proved.
    pub(crate) fn forget(&mut self, unwanted: impl Fn(What) -> bool) -> Vec<What> {
        self.0.extract_if(.., |it| unwanted(it.what)).map(|it| it.what).collect()
    }

    pub(crate) fn deadline(&self) -> Option<Instant> {
        self.0.iter().map(|it| it.due).min()
    }

    /// Settles what is due at `now`.
    pub(crate) fn due(&mut self, now: Instant) -> Vec<Due> {
        let mut found = Vec::new();
        self.0.retain_mut(|it| {
            if now < it.due {
                return true;
            }
            if it.accepted || it.repeats >= MOST_REPEATS {
                found.push(Due::GivenUp(it.what));
                return false;
            }
            it.repeats += 1;
            it.due = now + AGAIN_AFTER;
            let urgent = matches!(it.what, What::Cut(..));
            found.push(Due::Again { line: it.line.clone(), urgent });
            true
        });
        found
    }
}
