//! `checkrail commission`: commissioning in a terminal, for those without a phone. It asks a running daemon over its API and
//! shows what the page shows, line by line: a dumb terminal is enough.

mod client;
mod talk;

use std::path::Path;

use serde_json::Value;

use crate::{
    cli::CommissionArgs,
    commission::client::Client,
    exit::{Exit, Failure},
    print,
    source::{Loaded, Source},
};

/// Where a token may stand, so that it is in no list of processes.
const TOKEN: &str = "CHECKRAIL_TOKEN";

/// Runs `commission`.
///
/// # Errors
/// [`Failure`] when the layout has errors, no daemon answers, or it refuses.
pub fn run(args: &CommissionArgs) -> Result<Exit, Failure> {
    let loaded = Source::open(&args.layout)?.require()?;
    let address = args.at.clone().unwrap_or_else(|| loaded.layout.links.dashboard.listen.clone());
    let mut client = Client::new(&address);
    match (&args.machine, args.list) {
        (Some(machine), false) => {
            let token = token(args, &loaded)?;
            client.sign_in(&token, &args.who.clone().unwrap_or_else(who))?;
            talk::run(&client, machine)
        }
        (_, _) => {
            if let Ok(token) = token(args, &loaded) {
                client.sign_in(&token, &who())?;
            }
            list(&client, args.machine.as_deref())
        }
    }
}

/// The token of `--token-file`, of the environment, or of the layout file.
fn token(args: &CommissionArgs, loaded: &Loaded) -> Result<String, Failure> {
    let file = args.token_file.clone();
    let file = file.or_else(|| {
        let named = &loaded.layout.links.dashboard.operator_token_file;
        let given = std::env::var_os(TOKEN).is_some();
        named.as_deref().filter(|_| !given).map(|it| Path::new(it).to_owned())
    });
    if let Some(path) = file {
        let text = std::fs::read_to_string(&path)
            .map_err(|source| Failure::Read { path: path.clone(), error: source })?;
        return Ok(text.trim().to_owned());
    }
    std::env::var(TOKEN).map_err(|_| {
        Failure::Argument(format!(
            "the operator token is needed, as the daemon printed it at its start: give it in {TOKEN} or by \
             --token-file"
        ))
    })
}

fn who() -> String {
    std::env::var("USER").ok().filter(|it| !it.is_empty()).unwrap_or_else(|| "terminal".to_owned())
}

/// What is proved and what is due, one line a machine.
fn list(client: &Client, only: Option<&str>) -> Result<Exit, Failure> {
    let all = client.get("commission")?;
    let empty = Vec::new();
    let machines = all["machines"].as_array().unwrap_or(&empty);
    let sessions = all["sessions"].as_array().unwrap_or(&empty);
    let mut machines: Vec<&Value> = machines.iter().collect();
    machines.sort_by_cached_key(|it| natural(text(&it["machine"])));
    let mut proved = 0;
    for it in &machines {
        proved += usize::from(it["state"] == "proved");
        let id = text(&it["machine"]);
        if only.is_some_and(|only| !id.eq_ignore_ascii_case(only)) {
            continue;
        }
        let session = sessions.iter().find(|row| row["machine"] == it["machine"]);
        let now = session.map_or(String::new(), |row| {
            format!(", in commissioning by {}, step {} of 7", text(&row["who"]), row["number"])
        });
        print::line(&format!("{id:12} {}{now}", standing(it)))?;
    }
    print::line(&format!("{proved} of {} machines proved", machines.len()))?;
    Ok(Exit::Done)
}

/// T2 before T10, as the pages list them.
fn natural(id: &str) -> (String, u64, String) {
    let begin = id.trim_end_matches(|letter: char| letter.is_ascii_digit());
    let number = id[begin.len()..].parse().unwrap_or(0);
    (begin.to_lowercase(), number, id.to_owned())
}

/// `proved 2026-11-25 by IH`, `due`.
fn standing(it: &Value) -> String {
    let word = match text(&it["state"]) {
        "proved" => "proved",
        "rewired" => "wires changed since it was proved",
        _ => "due",
    };
    let at = it["at"].as_i64().and_then(|ms| jiff::Timestamp::from_millisecond(ms).ok());
    at.map_or_else(
        || word.to_owned(),
        |at| format!("{word} {} by {}", at.strftime("%Y-%m-%d"), text(&it["by"])),
    )
}

/// A text of an answer; nothing where it is none.
fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn machines_are_listed_as_people_count_them() {
        let mut ids = ["T10", "T2", "S1-b", "T1", "S1-a"];
        ids.sort_by_key(|id| natural(id));
        assert_eq!(ids, ["S1-a", "S1-b", "T1", "T2", "T10"]);
    }
}
