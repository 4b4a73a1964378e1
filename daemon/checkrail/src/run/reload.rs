//! SIGHUP: the layout file is read anew. Thresholds, the layout's name and colours, the names and tokens of the dashboard
//! are taken over while supervision goes on; a file with errors, or with changes that need a start, is refused as a whole
//! and the settings in force stay.

use std::path::{Path, PathBuf};

use dashboard::{Renewal, Server};
use tokio::sync::mpsc;
use tracing::{error, warn};
use wiring::change;

use super::{notify, token_from};
use crate::{
    exit::Failure,
    source::{Loaded, Source},
};

/// Reads a layout file anew.
pub struct Reload {
    path: PathBuf,
    in_force: Loaded,
    settings: mpsc::Sender<Loaded>,
}

/// Why a file is refused.
#[derive(Debug, thiserror::Error)]
enum Refused {
    /// It cannot be read or has errors, which have been shown.
    #[error(transparent)]
    Unusable(#[from] Failure),
    /// It differs in more than settings.
    #[error("{} changed, which is fixed at the start: restart Checkrail to take it over", .0.join(", "))]
    Beyond(Vec<String>),
    /// An empty operator token would let everybody act.
    #[error("the operator token is empty")]
    NoToken,
}

impl Reload {
    /// Of the file that `loaded` came from.
    #[must_use]
    pub fn new(path: PathBuf, loaded: &Loaded, settings: mpsc::Sender<Loaded>) -> Self {
        Self { path, in_force: loaded.clone(), settings }
    }

    /// Reads it, and hands its settings to the supervisor's task and the dashboard where they may be taken over.
    pub async fn read_anew(&mut self, server: &Server) {
        notify::reloading();
        let (path, in_force) = (self.path.clone(), self.in_force.clone());
        // A large file takes a while: nobody waits for it here.
        let read = tokio::task::spawn_blocking(move || read(&path, &in_force)).await;
        match read {
            Ok(Ok((loaded, renewal))) => {
                self.in_force = loaded.clone();
                server.renew(renewal);
                if self.settings.send(loaded).await.is_err() {
                    warn!("supervision has ended: no settings are taken over");
                }
            }
            Ok(Err(refused)) => error!(%refused, "SettingsRefused: those in force stay"),
            Err(failed) => error!(%failed, "SettingsRefused: the file could not be judged"),
        }
        notify::ready();
    }
}

fn read(path: &Path, in_force: &Loaded) -> Result<(Loaded, Renewal), Refused> {
    let loaded = Source::open(path)?.require()?;
    let beyond = change::beyond_settings(&in_force.layout, &loaded.layout);
    if !beyond.is_empty() {
        return Err(Refused::Beyond(beyond));
    }
    let settings = &loaded.layout.links.dashboard;
    let token = |file: &Option<String>| file.as_deref().map(Path::new).map(token_from).transpose();
    let operator_token = token(&settings.operator_token_file)?;
    if operator_token.as_deref() == Some("") {
        return Err(Refused::NoToken);
    }
    let renewal = Renewal {
        layout: loaded.layout.clone(),
        hosts: settings.hosts.clone(),
        operator_token,
        read_token: token(&settings.read_token_file)?,
        revision: loaded.revision.clone(),
    };
    Ok((loaded, renewal))
}
