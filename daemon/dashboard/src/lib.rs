//! The dashboard: HTTP API, live stream, metrics and the web page.
//!
//! It shows what the supervisor says and hands on what signed-in people ask. Nothing here decides about power: trips
//! never depend on the page, and the supervisor answers every request itself.

mod api;
mod archive;
mod assets;
mod auth;
mod feed;
mod guard;
mod listen;
pub mod metrics;
mod once;
mod openapi;
pub mod qr;
mod secret;
mod server;
mod settings;
mod stream;
mod trail;
mod view;
pub mod window;
mod wire;

pub use archive::{Archive, ArchiveError, Download, FaultQuery, Form, NoArchive};
pub use metrics::Metrics;
pub use secret::{SecretError, new_token};
pub use server::{Parts, ServeError, Server, serve};
pub use settings::{Renewal, Settings};
pub use view::{Command, LinkView, UnusableView, View};
pub use window::Window;
