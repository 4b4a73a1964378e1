//! The steps of the bench test in words, each with a box, and a line where something is read.

use wiring::{
    layout::{Layout, Position},
    terminals::{
        MachineWiring,
        bench::{Stage, Step, Two},
    },
};

use super::{Book, html, words};

/// All stages, in order, each with its heading.
const STAGES: [(Stage, &str); 3] = [
    (Stage::Bare, "Bench, before soldering"),
    (Stage::Soldered, "Soldered, still on the bench"),
    (Stage::Mounted, "Mounted"),
];

/// The bench test of a machine.
pub fn test(book: &Book<'_>, machine: &MachineWiring) -> Vec<String> {
    let steps = wiring::terminals::bench::steps(book.layout, &book.wiring, machine);
    STAGES
        .iter()
        .map(|(stage, title)| {
            let own = steps.iter().filter(|(of, _)| of == stage);
            let items = own.map(|(_, step)| {
                let said = Words { layout: book.layout, machine }.step(step);
                format!("<li>{}<span>{said}</span></li>\n", html::BOX)
            });
            format!(
                "<div class=\"stage\"><h3>{title}</h3>\n<ul class=\"steps\">\n{}</ul></div>\n",
                items.collect::<String>()
            )
        })
        .collect()
}

/// Words about one machine.
struct Words<'a> {
    layout: &'a Layout,
    machine: &'a MachineWiring,
}

impl Words<'_> {
    /// A step as HTML.
    fn step(&self, step: &Step) -> String {
        match step {
            Step::MotorBothWays { motor: [one, two] } => format!(
                "Motor both ways: a small reversing supply on {} and {}. It runs to one end and stalls; with the \
                 leads exchanged, to the other. Plus for normal: {}",
                self.name(*one),
                self.name(*two),
                html::LINE
            ),
            Step::Beeps { position, beep, silent } => format!(
                "{}: beep {}; silent {}",
                title(*position),
                self.pairs(beep),
                self.pairs(silent)
            ),
            Step::Drop { contacts, at, good, bad } => {
                let each = contacts.iter().map(|(pair, position)| {
                    format!("{} {} {} mV", self.pair(*pair), position.word(), html::LINE)
                });
                format!(
                    "Volts across each contact at {at} through a lamp or resistor, each pole alone, no jumper on. \
                     Good to {} mV, replace above {} mV:<br>{}",
                    good.0, bad.0,
                    each.collect::<Vec<_>>().join("; ")
                )
            }
            Step::Insulated { pairs } if pairs.is_empty() => {
                "Neighbouring terminals: no splash, no whisker between them".to_owned()
            }
            Step::Insulated { pairs } => {
                format!("Neighbours insulated, both positions, no beep: {}", self.pairs(pairs))
            }
            Step::StraysCut => "Stray ends cut back; no strand reaches a neighbour".to_owned(),
            Step::BothCarry { frog, poles } => {
                let names: Vec<String> =
                    poles.iter().map(|pole| self.layout.poles[pole.at()].number.to_string()).collect();
                format!(
                    "Contacts {} carry {} together: lift one jumper, and the volts across the other rise",
                    words::and(&names),
                    html::escaped(&words::frog_name(self.layout, *frog))
                )
            }
            Step::Labelled => "Wires held against pull, labels on both ends".to_owned(),
            Step::CentredByPower => {
                "Machine centred by power, not by hand: stop it at mid-stroke, then fix it with the points midway"
                    .to_owned()
            }
            Step::ThrowsFully => {
                "Throws full both ways: the point is tight against each stock rail; screws tight".to_owned()
            }
            Step::ChangesOver => {
                "Contact changes over near mid-stroke, while neither point touches a stock rail".to_owned()
            }
            Step::FrogBeeps { frog, position, beep, silent } => format!(
                "Bus unplugged, track empty. {}: {} beeps with {}, is silent with {}",
                title(*position),
                html::escaped(&words::frog_name(self.layout, *frog)),
                words::rail(*beep),
                words::rail(*silent)
            ),
        }
    }

    fn name(&self, at: usize) -> String {
        let it = self.machine.terminals.get(at);
        html::escaped(&it.map(|it| words::terminal(self.layout, it)).unwrap_or_default())
    }

    fn pair(&self, [one, two]: Two) -> String {
        format!("<b>{}–{}</b>", self.name(one), self.name(two))
    }

    fn pairs(&self, pairs: &[Two]) -> String {
        pairs.iter().map(|pair| self.pair(*pair)).collect::<Vec<_>>().join(", ")
    }
}

const fn title(position: Position) -> &'static str {
    match position {
        Position::Normal => "Normal",
        Position::Reverse => "Reverse",
    }
}
