//! Settings of the client: address, will, credentials, certificates.

use std::{fs, net::SocketAddr, time::Duration};

use rumqttc::{LastWill, MqttOptions, QoS, TlsConfiguration, Transport};
use wiring::links::{BrokerAddress, MqttSettings};

use super::{MOST_PACKET, topics::is_filter};

const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// Publishes without an acknowledgement at most.
const MOST_IN_FLIGHT: u16 = 100;

/// Finds mistakes before anything is started.
pub(crate) fn check(settings: &MqttSettings) -> Result<(), Vec<String>> {
    let mut wrong = Vec::new();
    let root = &settings.root;
    if !is_filter(root)
        || root.contains(['+', '#', '$'])
        || root.starts_with('/')
        || root.ends_with('/')
    {
        wrong.push(format!("`{root}` is no root topic"));
    }
    if settings.client_id.is_empty() || settings.client_id.starts_with(' ') {
        wrong.push("`client-id` is empty".to_owned());
    }
    let encrypted = matches!(settings.broker, BrokerAddress::External { tls: true, .. });
    if encrypted && settings.ca_file.is_none() {
        wrong.push(
            "`mqtts://` needs `ca-file`: the certificate of whoever signed the broker's".to_owned(),
        );
    }
    if settings.password_file.is_some() && settings.user.is_none() {
        wrong.push("`password-file` needs `user`".to_owned());
    }
    if wrong.is_empty()
        && let Err(why) = client(settings, None, "", None)
    {
        wrong.push(why);
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong) }
}

/// Options of one connection; `suffix` tells the connections of one program apart.
pub(crate) fn client(
    settings: &MqttSettings,
    embedded: Option<SocketAddr>,
    suffix: &str,
    will: Option<(String, String)>,
) -> Result<MqttOptions, String> {
    let (host, port, tls) = match (&settings.broker, embedded) {
        (BrokerAddress::External { host, port, tls }, _) => (host.clone(), *port, *tls),
        (BrokerAddress::Embedded { .. }, Some(address)) => {
            (own_host(address), address.port(), false)
        }
        (BrokerAddress::Embedded { .. }, None) => ("127.0.0.1".to_owned(), 1883, false),
    };
    let mut options = MqttOptions::new(format!("{}{suffix}", settings.client_id), host, port);
    options.set_keep_alive(KEEP_ALIVE);
    options.set_clean_session(true);
    options.set_inflight(MOST_IN_FLIGHT);
    options.set_max_packet_size(MOST_PACKET, MOST_PACKET);
    if let Some(user) = &settings.user {
        options.set_credentials(user, password(settings.password_file.as_deref())?);
    }
    if tls {
        options.set_transport(encryption(settings)?);
    }
    if let Some((topic, payload)) = will {
        options.set_last_will(LastWill::new(topic, payload, QoS::AtLeastOnce, true));
    }
    Ok(options)
}

/// A broker of our own that listens everywhere is reached here.
fn own_host(address: SocketAddr) -> String {
    if address.ip().is_unspecified() { "127.0.0.1".to_owned() } else { address.ip().to_string() }
}

fn password(file: Option<&str>) -> Result<String, String> {
    let Some(file) = file else { return Ok(String::new()) };
    let text = fs::read_to_string(file).map_err(|error| format!("`{file}`: {error}"))?;
    Ok(text.trim_end_matches(['\r', '\n']).to_owned())
}

fn encryption(settings: &MqttSettings) -> Result<Transport, String> {
    // Fails where the program has chosen a provider already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let read = |file: &String| fs::read(file).map_err(|error| format!("`{file}`: {error}"));
    let ca = settings.ca_file.as_ref().map(read).transpose()?.unwrap_or_default();
    let client_auth = match &settings.client_certificate {
        Some((certificate, key)) => Some((read(certificate)?, read(key)?)),
        None => None,
    };
    let simple = TlsConfiguration::Simple { ca, alpn: None, client_auth };
    Ok(Transport::tls_with_config(simple))
}
