//! Faults of sensors and messages.

use wiring::{
    channel::{Object, Quantity},
    index::{BlockIx, ChannelIx, DistrictIx},
    units::Micros,
};

use crate::{effect::Effect, fault::Active, scenario::Inject, sensor::Ailment, world::World};

/// What a fault without a short lasts, where nobody reacts to it.
const LASTS: Micros = Micros::from_millis(30_000);

impl World {
    pub(crate) fn inject_sensor(&mut self, fault: &mut Active, inject: Inject) -> Option<()> {
        fault.ends = Some(self.now + LASTS);
        match inject {
            Inject::NodeSilent => {
                let district = self.faults.random.below(self.layout.districts.len());
                fault.subject = format!("node/{}", self.nodes()[district + 1].id);
                fault.effects.push(Effect::Silence(district + 1));
            }
            Inject::Disorder => {
                fault.subject = "not-explained".to_owned();
                let node = self.faults.random.below(self.nodes().len());
                self.sensors.skew(node, 700);
                fault.effects.push(Effect::Late(0.05));
            }
            Inject::SenseOff => {
                let site = self.pick_site(|_, _| true)?;
                self.blame_frog(fault, &site);
                let channel = self.channel(Object::Frog(site.frog), Quantity::Polarity)?;
                fault.effects.push(Effect::Ail(channel, Ailment::StuckWord("dead")));
            }
            Inject::CurrentStuck => {
                let at = self.faults.random.below(self.layout.districts.len());
                let object = Object::District(DistrictIx::new(at));
                fault.subject = self.subject(object);
                let value = (self.plant.flow.districts[at].0 * 1e3).round() / 1e3;
                let channel = self.channel(object, Quantity::Current)?;
                fault.effects.push(Effect::Ail(channel, Ailment::Stuck(value)));
            }
            _ => {
                let at = self.faults.random.below(self.layout.blocks.len());
                let object = Object::Block(BlockIx::new(at));
                fault.subject = self.subject(object);
                let stuck = inject == Inject::OccupiedStuck;
                let ailment = if stuck { Ailment::Offset(0.008) } else { Ailment::Flickers };
                for quantity in [Quantity::Current, Quantity::Peak] {
                    let channel = self.channel(object, quantity)?;
                    fault.effects.push(Effect::Ail(channel, ailment));
                }
            }
        }
        fault.place = fault.subject.clone();
        Some(())
    }

    fn channel(&self, object: Object, quantity: Quantity) -> Option<ChannelIx> {
        self.channels.index(object, quantity)
    }
}
