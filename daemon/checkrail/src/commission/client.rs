//! A running daemon, asked over its API.

use std::time::Duration;

use serde_json::{Value, json};
use ureq::Agent;

use crate::exit::Failure;

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_secs(8);

/// The daemon's side of a talk.
pub(super) struct Client {
    agent: Agent,
    address: String,
    cookie: Option<String>,
}

/// An answer: done, or why not.
pub(super) type Done = Result<(), String>;

impl Client {
    /// A daemon at `127.0.0.1:8080`. One that listens everywhere is asked on this machine.
    pub(super) fn new(address: &str) -> Self {
        let address = address.trim_start_matches("http://").trim_end_matches('/');
        let address = address.replace("0.0.0.0:", "127.0.0.1:").replace("[::]:", "[::1]:");
        let config = Agent::config_builder();
        let config = config.timeout_global(Some(PATIENCE)).http_status_as_error(false);
        Self { agent: config.build().into(), address, cookie: None }
    }

    /// Signs in as a person, so that results bear a name.
    pub(super) fn sign_in(&mut self, token: &str, who: &str) -> Result<(), Failure> {
        let request = self.agent.post(self.url("session"));
        let body = json!({ "token": token, "name": who }).to_string();
        let answer = request.content_type("application/json").send(body);
        let answer = answer.map_err(|why| self.silent(&why))?;
        if !answer.status().is_success() {
            return Err(Failure::Argument(format!(
                "the daemon at http://{}/ does not take this token: it is printed when the daemon starts",
                self.address
            )));
        }
        let cookie = answer.headers().get("set-cookie").and_then(|it| it.to_str().ok());
        self.cookie = cookie.and_then(|it| it.split(';').next()).map(str::to_owned);
        Ok(())
    }

    /// What it says.
    ///
    /// # Errors
    /// [`Failure::Argument`] when nobody answers, or it has no such thing.
    pub(super) fn get(&self, path: &str) -> Result<Value, Failure> {
        let mut request = self.agent.get(self.url(path));
        if let Some(cookie) = &self.cookie {
            request = request.header("Cookie", cookie);
        }
        let answer = request.call().map_err(|why| self.silent(&why))?;
        let good = answer.status().is_success();
        let value = self.body(answer)?;
        if good { Ok(value) } else { Err(Failure::Argument(refusal(&value))) }
    }

    /// Asks it to do something.
    ///
    /// # Errors
    /// [`Failure::Argument`] when nobody answers. What it refuses is an answer.
    pub(super) fn post(&self, path: &str, body: &Value) -> Result<Done, Failure> {
        let mut request = self.agent.post(self.url(path)).content_type("application/json");
        if let Some(cookie) = &self.cookie {
            request = request.header("Cookie", cookie);
        }
        let answer = request.send(body.to_string()).map_err(|why| self.silent(&why))?;
        let good = answer.status().is_success();
        let value = self.body(answer)?;
        Ok(if good { Ok(()) } else { Err(refusal(&value)) })
    }

    fn body(&self, mut answer: ureq::http::Response<ureq::Body>) -> Result<Value, Failure> {
        let text = answer.body_mut().read_to_string().map_err(|why| self.silent(&why))?;
        serde_json::from_str(&text).map_err(|_| {
            Failure::Argument(format!("what answers at http://{}/ is no Checkrail", self.address))
        })
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}/api/v1/{path}", self.address)
    }

    fn silent(&self, why: &ureq::Error) -> Failure {
        Failure::Argument(format!(
            "no daemon answers at http://{}/ ({why}): start it with `checkrail run LAYOUT`, or say where it is with \
             --at",
            self.address
        ))
    }
}

fn refusal(value: &Value) -> String {
    let of = |key: &str| value[key].as_str().unwrap_or_default().to_owned();
    match of("remedy") {
        remedy if remedy.is_empty() => of("message"),
        remedy => format!("{}: {remedy}", of("message")),
    }
}
