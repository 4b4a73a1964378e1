//! SIGHUP: the layout file is read anew. Settings are taken over while supervision goes on; a file with errors, or with
//! changes that need a start, is refused and the settings in force stay.

use std::path::PathBuf;

use tokio::sync::mpsc;
use tracing::{error, warn};
use wiring::change;

use super::notify;
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
    #[error("changed beside [protection]: {}; restart Checkrail to take them over", .0.join(", "))]
    Beyond(Vec<String>),
}

impl Reload {
    /// Of the file that `loaded` came from.
    #[must_use]
    pub fn new(path: PathBuf, loaded: &Loaded, settings: mpsc::Sender<Loaded>) -> Self {
        Self { path, in_force: loaded.clone(), settings }
    }

    /// Reads it, and hands its settings to the supervisor's task where they may be taken over.
    pub async fn read_anew(&mut self) {
        notify::reloading();
        let (path, in_force) = (self.path.clone(), self.in_force.clone());
        // A large file takes a while: nobody waits for it here.
        let read = tokio::task::spawn_blocking(move || read(&path, &in_force)).await;
        match read {
            Ok(Ok(loaded)) => {
                self.in_force = loaded.clone();
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

fn read(path: &std::path::Path, in_force: &Loaded) -> Result<Loaded, Refused> {
    let loaded = Source::open(path)?.require()?;
    let beyond = change::beyond_settings(&in_force.layout, &loaded.layout);
    if beyond.is_empty() { Ok(loaded) } else { Err(Refused::Beyond(beyond)) }
}
