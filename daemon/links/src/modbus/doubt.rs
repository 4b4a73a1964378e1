//! Answers of one unit that may still come although nobody waits for them any more.
//!
//! Resting until `reply-max` catches those that are late as known. One that comes later still would be taken for the answer
//! to a question of the same shape (function and length), and the unit would stay one answer behind. So while such an answer
//! may come, a question of its shape is not asked: another goes first, a separator. A unit answers in order, so the
//! separator's answer shows that all earlier ones are through. A refusal has the same shape for every question of its
//! function; it shows that only when there have been more refusals than there are answers outstanding.

use std::time::{Duration, Instant};

use super::pdu::{Answer, Question, Shape};

/// An answer that has not come by then does not come.
const ENDS: Duration = Duration::from_secs(10);

#[derive(Clone, Copy, Debug)]
struct Doubt {
    shape: Shape,
    since: Instant,
    /// Its question failed; else it was refused, and the refusal may have been another's.
    failed: bool,
}

/// What may still come.
#[derive(Clone, Debug, Default)]
pub(crate) struct Doubts {
    all: Vec<Doubt>,
    refusals: usize,
}

impl Doubts {
    /// A question has failed.
    pub(crate) fn handle_failure(&mut self, question: &Question, now: Instant) {
        self.all.push(Doubt { shape: question.shape(), since: now, failed: true });
        self.refusals = 0;
    }

    /// A question was answered.
    pub(crate) fn handle_answer(&mut self, question: &Question, answer: &Answer, now: Instant) {
        if self.all.is_empty() {
            return;
        }
        match answer {
            Answer::Data(_) | Answer::Done => self.all.clear(),
            Answer::Exception(_) => {
                self.refusals += 1;
                let failed = self.all.iter().filter(|it| it.failed).count();
                if failed < self.refusals {
                    self.all.retain(|it| !it.failed);
                }
                self.all.push(Doubt { shape: question.shape(), since: now, failed: false });
            }
        }
    }

    /// The question that must go before this one; none where this one may go. Its answer is of no shape that the unit's
    /// own questions have.
    pub(crate) fn separator(
        &mut self,
        question: &Question,
        last: Option<&Question>,
        own: &[Shape],
        now: Instant,
    ) -> Option<Question> {
        self.all.retain(|it| now.saturating_duration_since(it.since) < ENDS);
        let Question::Read { table, address, count } = question else { return None };
        let shape = question.shape();
        // A copy of the answer before would fit too.
        let repeats = last.is_some_and(|last| last.shape() == shape && last != question);
        if !repeats && self.is_free(shape) {
            return None;
        }
        let step = if table.is_bits() { 8 } else { 1 };
        let fewer = (1..*count).rev();
        let more = (1..=120_u16).map(|nth| count.saturating_add(nth * step));
        let other = |count: u16| Question::Read { table: *table, address: *address, count };
        let fits = |it: &Question| {
            let other = it.shape();
            it.is_askable() && other != shape && !own.contains(&other) && self.is_free(other)
        };
        fewer.chain(more).map(other).find(fits)
    }

    fn is_free(&self, shape: Shape) -> bool {
        self.all.iter().all(|it| it.shape != shape)
    }
}

#[cfg(test)]
mod tests {
    use wiring::links::ModbusTable;

    use super::*;

    fn read(address: u16, count: u16) -> Question {
        Question::Read { table: ModbusTable::InputRegisters, address, count }
    }

    fn data() -> Answer {
        Answer::Data(Vec::new())
    }

    #[test]
    fn after_a_failure_a_question_of_another_shape_goes_first() {
        let (now, mut doubts) = (Instant::now(), Doubts::default());
        assert_eq!(doubts.separator(&read(0, 4), None, &[], now), None);
        doubts.handle_failure(&read(0, 4), now);
        assert_eq!(doubts.separator(&read(0, 4), None, &[], now), Some(read(0, 3)));
        assert_eq!(doubts.separator(&read(8, 4), None, &[], now), Some(read(8, 3)));
        assert_eq!(doubts.separator(&read(8, 2), None, &[], now), None);
        doubts.handle_failure(&read(0, 3), now);
        assert_eq!(doubts.separator(&read(0, 4), None, &[], now), Some(read(0, 2)));
        doubts.handle_answer(&read(0, 2), &data(), now);
        assert_eq!(doubts.separator(&read(0, 4), None, &[], now), None);
    }

    #[test]
    fn refusals_end_a_doubt_once_they_are_more_than_it() {
        let (now, mut doubts) = (Instant::now(), Doubts::default());
        doubts.handle_failure(&read(0, 1), now);
        assert_eq!(doubts.separator(&read(0, 1), None, &[], now), Some(read(0, 2)));
        doubts.handle_answer(&read(0, 2), &Answer::Exception(2), now);
        assert_eq!(doubts.separator(&read(0, 1), None, &[], now), Some(read(0, 3)));
        doubts.handle_answer(&read(0, 3), &Answer::Exception(2), now);
        assert_eq!(doubts.separator(&read(0, 1), None, &[], now), None);
    }

    #[test]
    fn a_doubt_ends_by_itself() {
        let (now, mut doubts) = (Instant::now(), Doubts::default());
        doubts.handle_failure(&read(0, 4), now);
        assert_eq!(doubts.separator(&read(0, 4), None, &[], now + ENDS), None);
    }

    #[test]
    fn two_questions_of_one_shape_have_another_between_them() {
        let (now, mut doubts) = (Instant::now(), Doubts::default());
        let last = read(0, 4);
        assert_eq!(doubts.separator(&read(8, 4), Some(&last), &[], now), Some(read(8, 3)));
        let own = [read(0, 3).shape()];
        assert_eq!(doubts.separator(&read(8, 4), Some(&last), &own, now), Some(read(8, 2)));
        assert_eq!(doubts.separator(&read(8, 4), Some(&read(8, 3)), &[], now), None);
        assert_eq!(doubts.separator(&read(8, 4), Some(&read(8, 4)), &[], now), None);
    }
}
