//! What a person may do in a step, the next wanted thing first.

use wiring::layout::Position;

use super::{Ask, Offer, Outcome, Session, Step, throwing::index, view::other};

/// Argument of a meter reading with a pole lifted, by its number.
const LIFTED: [&str; 5] = ["", "1", "2", "3", "4"];

impl Session {
    pub(super) fn offers(&self, by_order: bool) -> Vec<Offer> {
        let mut offers = Vec::new();
        let failed = self.results.is(self.step, Outcome::Failed);
        if failed && self.step != Step::Trip {
            let label = match self.step {
                Step::Frog => "Wires changed, test again",
                Step::Name
                | Step::Normal
                | Step::Reverse
                | Step::Contact
                | Step::Trip
                | Step::Coin
                | Step::Sign => "Mended, test again",
            };
            offers.push(offer("again", "", label));
        }
        self.offer_work(by_order, &mut offers);
        if !matches!(self.step, Step::Name | Step::Sign) {
            let label = format!("Skip: {}", skip_word(self.step));
            offers.push(Offer { act: "skip", with: "", label, ask: Ask::Reason });
        }
        if self.step != Step::Name {
            offers.push(offer("back", "", "Back"));
        }
        offers.push(offer("leave", "", "Leave commissioning"));
        offers
    }

    fn offer_work(&self, by_order: bool, offers: &mut Vec<Offer>) {
        match self.step {
            Step::Name => offers.push(offer("next", "", &format!("I am at {}", self.plan.id))),
            Step::Normal => self.offer_throws(by_order, Position::Normal, offers),
            Step::Reverse => self.offer_throws(by_order, Position::Reverse, offers),
            Step::Frog => {
                self.offer_frog(offers);
                self.offer_throws(by_order, self.away(), offers);
            }
            Step::Contact => {
                let label = "Enter the meter reading".to_owned();
                offers.push(Offer { act: "meter", with: "", label, ask: Ask::Meter });
                self.offer_throws(by_order, self.away(), offers);
                self.offer_lifted(offers);
            }
            Step::Trip if self.is_on() && self.trip.is_none_or(|it| it.end.is_some()) => {
                let label = format!("Cut {} now", self.plan.district_id);
                offers.push(Offer { act: "cut", with: "", label, ask: Ask::Sure });
            }
            Step::Trip => {}
            Step::Coin => {
                if self.is_on() {
                    let label = "Choose a place and lay the coin".to_owned();
                    offers.push(Offer { act: "coin", with: "", label, ask: Ask::Place });
                }
                if self.coins.iter().any(|(good, _)| *good) {
                    offers.push(offer("next", "", "Coins are done"));
                }
            }
            Step::Sign => {
                let label = "Sign off".to_owned();
                offers.push(Offer { act: "sign", with: "", label, ask: Ask::Initials });
            }
        }
    }

    /// Two poles side by side: each is lifted once, to show that the other is not alone.
    fn offer_lifted(&self, offers: &mut Vec<Offer>) {
        let Some(frog) = self.plan.frogs.first().filter(|it| it.poles.len() == 2) else { return };
        let here = self.throwing.rest().map(|(at, _)| at);
        if self.contact.drops.last().map(|it| it.position) != here {
            return;
        }
        for pole in frog.poles.iter().filter(|pole| self.contact.lifted().all(|it| it != **pole)) {
            let Some(with) = LIFTED.get(usize::from(*pole)) else { continue };
            let label = format!("Reading with pole {pole} lifted");
            offers.push(Offer { act: "meter", with, label, ask: Ask::Meter });
        }
    }

    /// Where the next throw leads.
    fn away(&self) -> Position {
        self.throwing.rest().map_or(Position::Normal, |(at, _)| other(at))
    }

    /// The wanted throw first. Without a throw channel, and without a sensor, the person says where it stands.
    fn offer_throws(&self, by_order: bool, wanted: Position, offers: &mut Vec<Offer>) {
        let stands = self.throwing.rest().is_some_and(|(at, _)| at == wanted);
        let first = if stands { other(wanted) } else { wanted };
        for to in [first, other(first)] {
            if by_order && self.throwing.rest().is_none_or(|(at, _)| at != to) {
                offers.push(offer("throw", to.word(), &format!("Throw to {}", to.word())));
            }
            if !self.throwing.is_measured() {
                offers.push(offer("stands", to.word(), &format!("It stands at {}", to.word())));
            }
        }
    }

    fn offer_frog(&self, offers: &mut Vec<Offer>) {
        let Some((here, _)) = self.throwing.rest() else { return };
        let mut open = self.frogs.iter().zip(&self.sight.frogs);
        let asked = open
            .any(|(check, sight)| sight.measured.is_none() && check.found[index(here)].is_none());
        if asked {
            offers.push(offer("frog", "matches", "Frog matches"));
            offers.push(offer("frog", "wrong", "Frog on the wrong rail"));
            offers.push(offer("frog", "dead", "Frog has no power"));
        }
    }
}

fn offer(act: &'static str, with: &'static str, label: &str) -> Offer {
    Offer { act, with, label: label.to_owned(), ask: Ask::Nothing }
}

const fn skip_word(step: Step) -> &'static str {
    match step {
        Step::Name => "machine",
        Step::Normal | Step::Reverse => "this throw",
        Step::Frog => "the frog",
        Step::Contact => "the contact",
        Step::Trip => "the trip test",
        Step::Coin => "the coin test",
        Step::Sign => "the signature",
    }
}
