//! `checkrail health`: asks a running daemon how it is, for containers, scripts and whoever waits for its start.

use std::time::Duration;

use serde_json::Value;
use ureq::Agent;

use crate::{
    cli::HealthArgs,
    exit::{Exit, Failure},
    print,
};

/// Longest wait for an answer: below the time that container engines give a check.
const PATIENCE: Duration = Duration::from_secs(3);

/// Runs `health`: one line, and status 1 where nobody answers or the supervisor does not tick.
///
/// # Errors
/// [`Failure::Print`].
pub fn run(args: &HealthArgs) -> Result<Exit, Failure> {
    let address = address(&args.at);
    let asked = match ask(&address) {
        Ok(asked) => asked,
        Err(why) => {
            print::error_line(&format!("no daemon answers at http://{address}/: {why}"));
            return Ok(Exit::ErrorsFound);
        }
    };
    let (good, body) = asked;
    print::line(&told(&body))?;
    Ok(if good { Exit::Done } else { Exit::ErrorsFound })
}

/// A daemon that listens everywhere is asked on this machine.
fn address(at: &str) -> String {
    let plain = at.trim_start_matches("http://").trim_end_matches('/');
    plain.replace("0.0.0.0:", "127.0.0.1:").replace("[::]:", "[::1]:")
}

/// Whether it is well, and what it says.
fn ask(address: &str) -> Result<(bool, Value), ureq::Error> {
    let config = Agent::config_builder();
    let config = config.timeout_global(Some(PATIENCE)).http_status_as_error(false);
    let agent: Agent = config.build().into();
    let mut answer = agent.get(format!("http://{address}/health")).call()?;
    let good = answer.status().is_success();
    let text = answer.body_mut().read_to_string()?;
    Ok((good, serde_json::from_str(&text).unwrap_or(Value::Null)))
}

/// `degraded: history, mqtt: Connection refused; 2 districts not protected`.
fn told(body: &Value) -> String {
    let mut parts = Vec::new();
    if body["history"] == Value::Bool(false) {
        parts.push("history".to_owned());
    }
    for link in body["links"].as_array().into_iter().flatten() {
        if link["up"] == Value::Bool(false) {
            let of = |key: &str| link[key].as_str().filter(|it| !it.is_empty());
            let said = [of("name"), of("text")].into_iter().flatten().collect::<Vec<_>>();
            parts.push(said.join(": "));
        }
    }
    let status = body["status"].as_str().unwrap_or("what answers is no Checkrail");
    let own = if parts.is_empty() {
        status.to_owned()
    } else {
        format!("{status}: {}", parts.join(", "))
    };
    let [districts, silent] = ["not_protected", "silent"].map(|it| body[it].as_u64().unwrap_or(0));
    let layout = [
        (districts, if districts == 1 { "district" } else { "districts" }, "not protected"),
        (silent, if silent == 1 { "sensor or node" } else { "sensors or nodes" }, "silent"),
    ];
    let layout = layout.into_iter().filter(|it| it.0 > 0);
    let layout: Vec<String> = layout.map(|(n, of, how)| format!("{n} {of} {how}")).collect();
    // The daemon is well all the same: no restart makes a sensor speak.
    if layout.is_empty() { own } else { format!("{own}; {}", layout.join(", ")) }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_is_not_well_is_named() {
        let link = |up: bool| json!({"name": "mqtt", "up": up, "text": "refused"});
        let cases = [
            (json!({"status": "ok", "history": true, "links": [link(true)]}), "ok"),
            (
                json!({"status": "degraded", "history": false, "links": [link(false)]}),
                "degraded: history, mqtt: refused",
            ),
            (json!({"status": "failing", "history": true, "links": []}), "failing"),
            (
                json!({"status": "ok", "history": true, "not_protected": 1, "silent": 3}),
                "ok; 1 district not protected, 3 sensors or nodes silent",
            ),
            (
                json!({"status": "ok", "not_protected": 0, "silent": 1}),
                "ok; 1 sensor or node silent",
            ),
            (
                json!({"status": "degraded", "history": false, "not_protected": 2}),
                "degraded: history; 2 districts not protected",
            ),
            (Value::Null, "what answers is no Checkrail"),
        ];
        for (body, want) in cases {
            assert_eq!(told(&body), want, "{body}");
        }
    }

    #[test]
    fn one_that_listens_everywhere_is_asked_here() {
        for (at, want) in [
            ("0.0.0.0:8080", "127.0.0.1:8080"),
            ("http://[::]:8080/", "[::1]:8080"),
            ("layout.example:80", "layout.example:80"),
        ] {
            assert_eq!(address(at), want);
        }
    }
}
