//! The talk in the terminal: what the step wants, what the meters say, and plain keys with Enter. Something is printed
//! only when it changes, so that a screen reader or a printing terminal is not flooded.

use std::{
    io::BufRead,
    sync::mpsc::{self, Receiver, RecvTimeoutError},
    time::{Duration, Instant},
};

use serde_json::{Map, Value, json};

use super::{client::Client, text};
use crate::{
    exit::{Exit, Failure},
    print,
};

/// Time between looks at the daemon.
const LOOK: Duration = Duration::from_millis(300);
/// Time between signs of life, well within the ten minutes after which a session ends.
const STAY: Duration = Duration::from_secs(60);
/// What is done is shown within this.
const SHOWN_WITHIN: Duration = Duration::from_secs(2);

/// Runs a session to its end, or until the person leaves the terminal.
pub(super) fn run(client: &Client, machine: &str) -> Result<Exit, Failure> {
    let known = client.get(&format!("commission/{machine}"))?;
    let machine = text(&known["machine"]).to_owned();
    if let Err(why) = client.post("commission", &json!({ "machine": machine, "do": "begin" }))? {
        return Err(Failure::Argument(why));
    }
    print::line(
        "Keys, each with Enter: a number does what stands beside it, r reads again, q leaves the terminal.",
    )?;
    print::line("Checkrail does not replace a breaker, fuse or current-limited supply.")?;
    let mut talk = Talk {
        client,
        machine,
        keys: keys(),
        shown: String::new(),
        offered: Vec::new(),
        stayed: Instant::now(),
        began: false,
    };
    talk.go()
}

/// Lines that the person types; closed when the input ends.
fn keys() -> Receiver<String> {
    let (sender, keys) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if sender.send(line.trim().to_owned()).is_err() {
                return;
            }
        }
    });
    keys
}

struct Talk<'a> {
    client: &'a Client,
    machine: String,
    keys: Receiver<String>,
    /// What was printed last, without the readings that change all the time.
    shown: String,
    /// What was offered there, in the order of its numbers.
    offered: Vec<Value>,
    stayed: Instant,
    /// The daemon has shown the session.
    began: bool,
}

/// The person has gone.
struct Gone;

impl Talk<'_> {
    fn go(&mut self) -> Result<Exit, Failure> {
        loop {
            let known = self.client.get(&format!("commission/{}", self.machine))?;
            let Some(session) = known.get("session").filter(|it| !it.is_null()) else {
                // The daemon shows what it does a moment later.
                if self.began || SHOWN_WITHIN <= self.stayed.elapsed() {
                    return self.end();
                }
                std::thread::sleep(LOOK);
                continue;
            };
            self.began = true;
            self.show(session, false)?;
            match self.keys.recv_timeout(LOOK) {
                Ok(key) if key == "q" => return self.leave(),
                Ok(key) => {
                    // A step may have passed while the person was typing.
                    let known = self.client.get(&format!("commission/{}", self.machine))?;
                    if self.press(&key, &known["session"])?.is_err() {
                        return self.leave();
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.leave(),
            }
            self.stay()?;
        }
    }

    fn leave(&self) -> Result<Exit, Failure> {
        print::line(&format!(
            "{} stays in commissioning for 10 minutes; another device can go on.",
            self.machine
        ))?;
        Ok(Exit::Done)
    }

    /// The result, as soon as the history has it.
    fn end(&self) -> Result<Exit, Failure> {
        std::thread::sleep(SHOWN_WITHIN / 2);
        let known = self.client.get(&format!("commission/{}", self.machine))?;
        let last = &known["history"][0];
        let (outcome, state) = (text(&last["outcome"]), text(&known["state"]));
        print::line(&format!("{}: commissioning {outcome}, {state}", self.machine))?;
        Ok(if last["outcome"] == "failed" { Exit::ErrorsFound } else { Exit::Done })
    }

    fn stay(&mut self) -> Result<(), Failure> {
        if STAY <= self.stayed.elapsed() {
            self.stayed = Instant::now();
            // A refusal shows itself in the next look.
            let _ = self.client.post("commission", &self.asked("stay", ""))?;
        }
        Ok(())
    }

    /// Prints the step when it says something new, or when the person asks.
    fn show(&mut self, session: &Value, again: bool) -> Result<(), Failure> {
        let mut lines = vec![
            String::new(),
            format!(
                "{}, step {} of 7: {}",
                self.machine,
                session["number"],
                text(&session["heading"])
            ),
        ];
        lines.push(format!("  {}: {}", mood(session), text(&session["verdict"])));
        for (nth, offer) in rows(&session["offers"]).enumerate() {
            lines.push(format!("  {} {}", nth + 1, text(&offer["label"])));
        }
        if is_off(session) {
            lines.push("  w Restore its district, which is off".to_owned());
        }
        let said = lines.join("\n");
        if said == self.shown && !again {
            return Ok(());
        }
        let new_step = !self.shown.contains(text(&session["heading"]));
        self.shown = said;
        self.offered = rows(&session["offers"]).cloned().collect();
        for (nth, line) in lines.iter().enumerate() {
            print::line(line)?;
            if nth == 1 {
                if new_step && !text(&session["note"]).is_empty() {
                    print::line(&format!("  {}", text(&session["note"])))?;
                }
                print::line(&format!("  {}", readings(session)))?;
            }
        }
        Ok(())
    }

    fn press(&mut self, key: &str, session: &Value) -> Result<Result<(), Gone>, Failure> {
        if key.is_empty() || key == "r" {
            self.show(session, true)?;
            return Ok(Ok(()));
        }
        if key == "w" && is_off(session) {
            self.restore()?;
            return Ok(Ok(()));
        }
        // A number means what stood beside it when it was typed, though the list may have changed meanwhile.
        let offer = key.parse::<usize>().ok().and_then(|nth| self.offered.get(nth.checked_sub(1)?));
        let Some(offer) = offer.cloned() else {
            print::line("  There is no such key now.")?;
            return Ok(Ok(()));
        };
        if !rows(&session["offers"]).any(|it| *it == offer) {
            print::line("  That is not offered any more.")?;
            self.show(session, true)?;
            return Ok(Ok(()));
        }
        let mut body = self.asked(text(&offer["do"]), text(&offer["with"]));
        match self.ask(text(&offer["ask"]))? {
            Err(gone) => return Ok(Err(gone)),
            Ok(None) => return Ok(Ok(())),
            Ok(Some(more)) => {
                if let Some(body) = body.as_object_mut() {
                    body.extend(more);
                }
            }
        }
        if let Err(why) = self.client.post("commission", &body)? {
            print::line(&format!("  Not done: {why}."))?;
        }
        Ok(Ok(()))
    }

    fn asked(&self, act: &str, with: &str) -> Value {
        let mut body = json!({ "machine": self.machine, "do": act });
        if !with.is_empty() {
            body["with"] = json!(with);
        }
        body
    }

    /// What an offer asks for; none: the person thought better of it.
    fn ask(&self, what: &str) -> Result<Result<Option<Map<String, Value>>, Gone>, Failure> {
        let mut more = Map::new();
        match what {
            "sure" => {
                let Ok(answer) = self.prompt("All its trains stop. Sure? y or n")? else {
                    return Ok(Err(Gone));
                };
                return Ok(Ok((answer == "y").then_some(more)));
            }
            "reason" => {
                let Ok(answer) = self.prompt("Because")? else { return Ok(Err(Gone)) };
                more.insert("reason".to_owned(), json!(answer));
            }
            "initials" => {
                let Ok(answer) = self.prompt("Initials")? else { return Ok(Err(Gone)) };
                more.insert("initials".to_owned(), json!(answer));
            }
            "meter" => return self.ask_meter(),
            "place" => return self.ask_place(),
            _ => {}
        }
        Ok(Ok(Some(more)))
    }

    fn ask_meter(&self) -> Result<Result<Option<Map<String, Value>>, Gone>, Failure> {
        let mut more = Map::new();
        let asked = [
            ("millivolts", "Across the contact, millivolts"),
            ("milliamps", "Current, milliamperes; empty as measured"),
        ];
        for (key, question) in asked {
            let Ok(answer) = self.prompt(question)? else { return Ok(Err(Gone)) };
            if answer.is_empty() && key == "milliamps" {
                continue;
            }
            let Ok(number) = answer.parse::<i64>() else {
                print::line("  That is no whole number.")?;
                return Ok(Ok(None));
            };
            more.insert(key.to_owned(), json!(number));
        }
        Ok(Ok(Some(more)))
    }

    fn ask_place(&self) -> Result<Result<Option<Map<String, Value>>, Gone>, Failure> {
        let places = self.client.get(&format!("commission/{}/coins", self.machine))?;
        for (nth, place) in rows(&places["places"]).enumerate() {
            let acts =
                if place["passes"] == true { text(&place["trips"]) } else { "forecast to fail" };
            print::line(&format!(
                "  {} {}: {} A, {acts}",
                nth + 1,
                text(&place["at"]),
                place["amps"]
            ))?;
        }
        let Ok(answer) = self.prompt("Number of the place")? else { return Ok(Err(Gone)) };
        let nth = answer.parse::<usize>().ok().and_then(|it| it.checked_sub(1));
        let place = nth.and_then(|nth| rows(&places["places"]).nth(nth));
        Ok(Ok(place.map(|place| Map::from_iter([("place".to_owned(), place["at"].clone())]))))
    }

    fn prompt(&self, question: &str) -> Result<Result<String, Gone>, Failure> {
        print::line(&format!("  {question}:"))?;
        Ok(self.keys.recv().map_err(|_| Gone))
    }

    fn restore(&self) -> Result<(), Failure> {
        let state = self.client.get("state")?;
        let mine = rows(&state["turnouts"]).find(|it| it["machine"] == self.machine.as_str());
        let district = mine.and_then(|it| it["district"].as_u64());
        let district =
            district.and_then(|at| rows(&state["districts"]).nth(usize::try_from(at).ok()?));
        let Some(district) = district else { return print::line("  Its district is not known.") };
        let body = json!({ "district": district["id"], "confirm": true });
        match self.client.post("restore", &body)? {
            Ok(()) => print::line("  Power is coming on. Look and smell."),
            Err(why) => print::line(&format!("  Not done: {why}.")),
        }
    }
}

fn rows(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

fn readings(session: &Value) -> String {
    let pairs = rows(&session["readings"]).map(|it| format!("{} {}", text(&it[0]), text(&it[1])));
    pairs.collect::<Vec<_>>().join(" | ")
}

fn is_off(session: &Value) -> bool {
    rows(&session["readings"]).any(|it| it[0] == "Power" && it[1] == "off")
}

fn mood(session: &Value) -> &'static str {
    match text(&session["mood"]) {
        "good" => "Good",
        "bad" => "WRONG",
        _ => "Now",
    }
}
