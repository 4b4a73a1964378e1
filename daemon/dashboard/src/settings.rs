//! What the dashboard is told at start.

use std::{fmt, net::SocketAddr, sync::Arc};

use wiring::layout::Layout;

/// Settings of one dashboard.
#[derive(Clone)]
pub struct Settings {
    /// Address to listen on. Port 0 takes a free one; [`crate::Server::address`] tells which.
    pub listen: SocketAddr,
    /// Names besides `localhost` and plain addresses under which a browser may ask for the page, without port. Any
    /// other name in `Host` is refused: it may be a stranger's name that resolves to this machine.
    pub hosts: Vec<String>,
    /// Acting needs this token. Never empty.
    pub operator_token: String,
    /// Reading needs this token; none: reading is open on the bound address.
    pub read_token: Option<String>,
    /// The layout is a demonstration: every page says so.
    pub demo: bool,
    /// First digits of a hash of the layout file, as the wiring sheets print them.
    pub revision: String,
    /// Version of the program, for the about page and the metrics.
    pub version: String,
}

/// What of them may change while the daemon runs.
#[derive(Debug)]
pub(crate) struct Live {
    pub(crate) hosts: Vec<String>,
    pub(crate) revision: String,
}

/// New settings for a dashboard that runs.
#[derive(Clone)]
pub struct Renewal {
    /// The same layout, perhaps with another name, other colours or other thresholds.
    pub layout: Arc<Layout>,
    /// See [`Settings::hosts`].
    pub hosts: Vec<String>,
    /// See [`Settings::operator_token`]; none: it stays.
    pub operator_token: Option<String>,
    /// See [`Settings::read_token`].
    pub read_token: Option<String>,
    /// See [`Settings::revision`].
    pub revision: String,
}

impl fmt::Debug for Renewal {
    /// Without the tokens.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Renewal")
            .field("hosts", &self.hosts)
            .field("revision", &self.revision)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for Settings {
    /// Without the tokens: settings get logged.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Settings")
            .field("listen", &self.listen)
            .field("hosts", &self.hosts)
            .field("read_token", &self.read_token.as_ref().map(|_| "set"))
            .field("demo", &self.demo)
            .field("version", &self.version)
            .finish_non_exhaustive()
    }
}
