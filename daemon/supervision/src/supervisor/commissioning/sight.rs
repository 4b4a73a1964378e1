//! What a session of commissioning sees: the readings that concern its machine, its frogs and its district.

use wiring::{
    channel::{Object, Quantity},
    index::{DistrictIx, FrogIx, MachineIx},
    layout::Position,
    polarity::{Required, Wired},
    units::{Microamps, Mono},
};

use crate::{
    commission::{DistrictSight, FrogSight, Sight},
    input::{Feed, MachinePosition, Value},
    model::Route,
    output::PowerState,
    supervisor::Supervisor,
};

impl Supervisor {
    pub(super) fn concerns(&self, place: usize, route: Route) -> bool {
        let plan = &self.commissioning.sessions[place].plan;
        let of_frog = |frog: FrogIx| plan.frogs.iter().any(|it| it.frog == frog);
        match route {
            Route::Position(machine) => {
                machine == plan.machine
                    || plan
                        .frogs
                        .iter()
                        .any(|it| self.model.proof.frog(it.frog).machines.contains(&machine))
            }
            Route::Polarity(frog) | Route::FrogCurrent(frog) => of_frog(frog),
            Route::BlockCurrent(block) => {
                plan.frogs.iter().any(|it| self.model.frogs[it.frog.at()].block == block)
            }
            Route::Current(feed) | Route::Voltage(feed) | Route::Feedback(feed) => {
                plan.district.is_some_and(|it| feed == Feed::District(it))
            }
            Route::Asked(_)
            | Route::BlockOccupied(_)
            | Route::BlockPeak(_)
            | Route::Reverser(_)
            | Route::Output => false,
        }
    }

    /// The channel that shows the current of a limited supply: the frog's own, else its block's.
    pub(super) fn is_test_current(&self, place: usize, route: Route) -> bool {
        let Some(frog) = self.commissioning.sessions[place].plan.frogs.first() else {
            return false;
        };
        let own = self.store.slot(self.model.frog_current[frog.frog.at()]).last.is_some();
        match route {
            Route::FrogCurrent(it) => it == frog.frog,
            Route::BlockCurrent(it) => !own && self.model.frogs[frog.frog.at()].block == it,
            Route::Current(_)
            | Route::Voltage(_)
            | Route::Feedback(_)
            | Route::BlockOccupied(_)
            | Route::BlockPeak(_)
            | Route::Position(_)
            | Route::Asked(_)
            | Route::Polarity(_)
            | Route::Reverser(_)
            | Route::Output => false,
        }
    }

    pub(super) fn see_session(&mut self, place: usize, at: Mono) {
        let sight = self.sight(place);
        self.commissioning.sessions[place].handle_sight(sight, at);
    }

    fn sight(&self, place: usize) -> Sight {
        let session = &self.commissioning.sessions[place];
        let plan = &session.plan;
        let channel = self.model.machine_position[plan.machine.at()];
        let position = match self.store.fresh(channel) {
            Some(Value::Position(position)) => Some(position),
            Some(_) | None => None,
        };
        let told = session.throwing.rest().map(|(at, _)| at);
        let here = position.map_or(told, MachinePosition::at_rest);
        Sight {
            position,
            position_told: self.store.slot(channel).told(),
            frogs: plan
                .frogs
                .iter()
                .map(|it| self.frog_sight(it.frog, plan.machine, here))
                .collect(),
            amps: plan.frogs.first().and_then(|it| self.test_current(it.frog)),
            district: plan.district.map(|it| self.district_sight(it)).unwrap_or_default(),
        }
    }

    /// What a frog must be on with the machine of the session where it is seen or told to be.
    fn frog_sight(&self, frog: FrogIx, machine: MachineIx, here: Option<Position>) -> FrogSight {
        let row = self
            .model
            .proof
            .frog(frog)
            .row(|it| if it == machine { here } else { self.machines[it.at()].settled() });
        let right = row.and_then(|row| match (row.required, row.wired) {
            (Required::On(conductor), _)
            | (Required::Any | Required::Conflict, Wired::On(conductor)) => Some(conductor),
            (Required::Any | Required::Conflict, Wired::None | Wired::Both) => None,
        });
        let measured = match self.store.fresh(self.model.frog_polarity[frog.at()]) {
            Some(Value::Polarity(it)) => Some(it),
            Some(_) | None => None,
        };
        let it = &self.frogs[frog.at()];
        let told = self.store.slot(self.model.frog_polarity[frog.at()]).told();
        FrogSight { right, measured, told, judged: it.is_judged(), wrong: it.is_mismatched() }
    }

    fn test_current(&self, frog: FrogIx) -> Option<Microamps> {
        let block = self.model.frogs[frog.at()].block;
        let channels = [self.model.frog_current[frog.at()], self.model.block_current[block.at()]];
        channels.into_iter().find_map(|channel| match self.store.fresh(channel) {
            Some(Value::Current(amps)) => Some(amps),
            Some(_) | None => None,
        })
    }

    fn district_sight(&self, district: DistrictIx) -> DistrictSight {
        let feed = self.model.feed_at(Feed::District(district));
        let power = &self.powers[feed];
        let feedback = self.model.channel(Object::District(district), Quantity::Feedback);
        let current = self.model.district_current[district.at()];
        DistrictSight {
            amps_told: self.store.slot(current).last.map(|(at, _)| at),
            amps: match self.store.fresh(current) {
                Some(Value::Current(amps)) => Some(amps),
                Some(_) | None => None,
            },
            feedback: match self.store.fresh(feedback) {
                Some(Value::Feedback(on)) => Some(on),
                Some(_) | None => None,
            },
            power: Some(power.state()).filter(|it| *it != PowerState::Unknown),
            cause: power.why().map(|(cause, _)| cause),
            proved: self.commissioning.cuts[feed],
        }
    }
}
