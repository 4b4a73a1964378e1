//! The broker that Checkrail brings: for the demo and small layouts. A club is better served by one of its own.
//!
//! It stands behind a door of ours (`door.rs`), because it leaves Nagle's algorithm on: a message then waits for the
//! acknowledgement of the one before, which the other side delays by up to 40 ms.

use std::net::SocketAddr;

use crate::links::StartError;

/// Starts the broker and tells where it listens; port 0 asks for a free one. With a login, user and password, it takes
/// nobody without it.
///
/// It has no way to be stopped: it ends with the process.
#[cfg(feature = "broker")]
pub(crate) async fn start(
    listen: &str,
    login: Option<(String, String)>,
) -> Result<SocketAddr, StartError> {
    use std::{net::TcpListener, time::Duration};

    let failed =
        |why: &dyn ToString| StartError::Broker { listen: listen.to_owned(), why: why.to_string() };
    let front = TcpListener::bind(listen).map_err(|error| failed(&error))?;
    let address = front.local_addr().map_err(|error| failed(&error))?;
    // The broker itself would return success where its port is taken.
    let inner = TcpListener::bind("127.0.0.1:0")
        .and_then(|probe| probe.local_addr())
        .map_err(|error| failed(&error))?;
    let mut broker = rumqttd::Broker::new(config(inner, login));
    std::thread::Builder::new()
        .name("broker".to_owned())
        .spawn(move || {
            if let Err(error) = broker.start() {
                tracing::error!(%error, "the embedded broker ended");
            }
        })
        .map_err(|error| failed(&error))?;
    for _ in 0..400 {
        if tokio::net::TcpStream::connect(inner).await.is_ok() {
            super::door::open(front, inner).map_err(|error| failed(&error))?;
            return Ok(address);
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    Err(failed(&"it does not answer"))
}

/// What the broker keeps for a subscriber that falls behind, for each filter: parts of so many octets, so many of them.
/// That is 5 s of 5,000 readings a second, and in memory about three times as much as on the wire.
#[cfg(feature = "broker")]
const KEPT_PART: usize = 256 * 1024;
#[cfg(feature = "broker")]
const KEPT_PARTS: usize = 10;

#[cfg(feature = "broker")]
fn config(address: SocketAddr, login: Option<(String, String)>) -> rumqttd::Config {
    let connections = rumqttd::ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: super::MOST_PACKET,
        max_inflight_count: 100,
        auth: login.map(|it| [it].into()),
        external_auth: None,
        dynamic_filters: true,
    };
    let server = rumqttd::ServerSettings {
        name: "checkrail".to_owned(),
        listen: address,
        tls: None,
        next_connection_delay_ms: 1,
        connections,
    };
    let router = rumqttd::RouterConfig {
        max_connections: 256,
        max_outgoing_packet_count: 200,
        max_segment_size: KEPT_PART,
        max_segment_count: KEPT_PARTS,
        ..rumqttd::RouterConfig::default()
    };
    let v4 = Some([("v4".to_owned(), server)].into());
    rumqttd::Config { router, v4, ..rumqttd::Config::default() }
}

/// This build has none.
#[cfg(not(feature = "broker"))]
pub(crate) async fn start(
    _listen: &str,
    _login: Option<(String, String)>,
) -> Result<SocketAddr, StartError> {
    Err(StartError::NoBroker)
}
