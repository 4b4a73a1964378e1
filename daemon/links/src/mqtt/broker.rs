//! The broker that Checkrail brings: for the demo and small layouts. A club is better served by one of its own.

use std::net::SocketAddr;

use crate::links::StartError;

/// Starts the broker and tells where it listens; port 0 asks for a free one.
///
/// It has no way to be stopped: it ends with the process.
#[cfg(feature = "broker")]
pub(crate) async fn start(listen: &str) -> Result<SocketAddr, StartError> {
    use std::time::Duration;

    let failed =
        |why: &dyn ToString| StartError::Broker { listen: listen.to_owned(), why: why.to_string() };
    // The broker itself would return success where the port is taken.
    let address = std::net::TcpListener::bind(listen)
        .and_then(|probe| probe.local_addr())
        .map_err(|error| failed(&error))?;
    let mut broker = rumqttd::Broker::new(config(address));
    std::thread::Builder::new()
        .name("broker".to_owned())
        .spawn(move || {
            if let Err(error) = broker.start() {
                tracing::error!(%error, "the embedded broker ended");
            }
        })
        .map_err(|error| failed(&error))?;
    for _ in 0..200 {
        if tokio::net::TcpStream::connect(address).await.is_ok() {
            return Ok(address);
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    Err(failed(&"it does not answer"))
}

#[cfg(feature = "broker")]
fn config(address: SocketAddr) -> rumqttd::Config {
    let connections = rumqttd::ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: super::MOST_PACKET,
        max_inflight_count: 100,
        auth: None,
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
        max_segment_size: 1024 * 1024,
        max_segment_count: 10,
        ..rumqttd::RouterConfig::default()
    };
    let v4 = Some([("v4".to_owned(), server)].into());
    rumqttd::Config { router, v4, ..rumqttd::Config::default() }
}

/// This build has none.
#[cfg(not(feature = "broker"))]
pub(crate) async fn start(_listen: &str) -> Result<SocketAddr, StartError> {
    Err(StartError::NoBroker)
}
