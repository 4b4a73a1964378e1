//! Settings of the client: address, will, credentials, certificates.

use std::{fs, net::SocketAddr, os::unix::fs::PermissionsExt, time::Duration};

use rumqttc::{LastWill, MqttOptions, QoS, TlsConfiguration, Transport, v5};
use wiring::links::{BrokerAddress, MqttSettings, MqttVersion};

use super::MOST_PACKET;

const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// The same limit as the other version knows it. Unit: octet.
const MOST_PACKET_V5: u32 = MOST_PACKET as u32;
/// Publishes without an acknowledgement at most.
const MOST_IN_FLIGHT: u16 = 100;

/// Options of a client of either version.
#[derive(Clone, Debug)]
pub(crate) enum ClientOptions {
    /// MQTT 3.1.1.
    V3(Box<MqttOptions>),
    /// MQTT 5.
    V5(Box<v5::MqttOptions>),
}

/// Finds before anything is started what cannot be read; the reader of the layout file has found all else.
pub(crate) fn check(settings: &MqttSettings) -> Result<(), Vec<String>> {
    client(settings, None, "", None).map(drop).map_err(|why| vec![why])
}

/// Options of one connection; `suffix` tells the connections of one program apart.
pub(crate) fn client(
    settings: &MqttSettings,
    embedded: Option<SocketAddr>,
    suffix: &str,
    will: Option<(String, String)>,
) -> Result<ClientOptions, String> {
    let (host, port, tls) = match (&settings.broker, embedded) {
        (BrokerAddress::External { host, port, tls }, _) => (host.clone(), *port, *tls),
        (BrokerAddress::Embedded { .. }, Some(address)) => {
            (own_host(address), address.port(), false)
        }
        (BrokerAddress::Embedded { .. }, None) => ("127.0.0.1".to_owned(), 1883, false),
    };
    let plan = Plan {
        id: format!("{}{suffix}", settings.client_id),
        host,
        port,
        login: login(settings)?,
        transport: if tls { Some(encryption(settings)?) } else { None },
        will,
    };
    Ok(match settings.version {
        MqttVersion::V3 => ClientOptions::V3(Box::new(plan.v3())),
        MqttVersion::V5 => ClientOptions::V5(Box::new(plan.v5())),
    })
}

/// User and password of the settings: what a client says, and what a broker of our own asks for.
pub(crate) fn login(settings: &MqttSettings) -> Result<Option<(String, String)>, String> {
    let Some(user) = &settings.user else { return Ok(None) };
    Ok(Some((user.clone(), password(settings.password_file.as_deref())?)))
}

/// What either version is told.
struct Plan {
    id: String,
    host: String,
    port: u16,
    login: Option<(String, String)>,
    transport: Option<Transport>,
    will: Option<(String, String)>,
}

impl Plan {
    fn v3(self) -> MqttOptions {
        let mut options = MqttOptions::new(self.id, self.host, self.port);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_clean_session(true);
        options.set_inflight(MOST_IN_FLIGHT);
        options.set_max_packet_size(MOST_PACKET, MOST_PACKET);
        if let Some((user, password)) = self.login {
            options.set_credentials(user, password);
        }
        if let Some(transport) = self.transport {
            options.set_transport(transport);
        }
        if let Some((topic, payload)) = self.will {
            options.set_last_will(LastWill::new(topic, payload, QoS::AtLeastOnce, true));
        }
        options
    }

    fn v5(self) -> v5::MqttOptions {
        let mut options = v5::MqttOptions::new(self.id, self.host, self.port);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_clean_start(true);
        // The session ends with the connection: nothing may wait for us at the broker, nor for others by us.
        options.set_session_expiry_interval(Some(0));
        options.set_outgoing_inflight_upper_limit(MOST_IN_FLIGHT);
        options.set_max_packet_size(Some(MOST_PACKET_V5));
        if let Some((user, password)) = self.login {
            options.set_credentials(user, password);
        }
        if let Some(transport) = self.transport {
            options.set_transport(transport);
        }
        if let Some((topic, payload)) = self.will {
            let qos = v5::mqttbytes::QoS::AtLeastOnce;
            let will = v5::mqttbytes::v5::LastWill::new(topic, payload, qos, true, None);
            options.set_last_will(will);
        }
        options
    }
}

/// A broker of our own that listens everywhere is reached here.
fn own_host(address: SocketAddr) -> String {
    if address.ip().is_unspecified() { "127.0.0.1".to_owned() } else { address.ip().to_string() }
}

/// Bits of a file's mode that let others than its owner at it.
const OTHERS: u32 = 0o077;

/// Warnings about files that hold secrets and can be read by others than their owner.
pub(crate) fn exposed(settings: &MqttSettings) -> Vec<String> {
    let key = settings.client_certificate.as_ref().map(|(_, key)| key);
    let open =
        |file: &&String| fs::metadata(file).is_ok_and(|it| it.permissions().mode() & OTHERS != 0);
    let files = settings.password_file.iter().chain(key).filter(open);
    files.map(|file| format!("`{file}` can be read by other users: chmod 600 {file}")).collect()
}

fn password(file: Option<&str>) -> Result<String, String> {
    let Some(file) = file else { return Ok(String::new()) };
    let text = fs::read_to_string(file)
        .map_err(|error| format!("password-file `{file}` cannot be read: {error}"))?;
    Ok(text.trim_end_matches(['\r', '\n']).to_owned())
}

fn encryption(settings: &MqttSettings) -> Result<Transport, String> {
    // Fails where the program has chosen a provider already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let read = |key: &str, file: &String| {
        fs::read(file).map_err(|error| format!("{key} `{file}` cannot be read: {error}"))
    };
    let ca = settings.ca_file.as_ref().map(|file| read("ca-file", file)).transpose()?;
    let ca = ca.unwrap_or_default();
    let client_auth = match &settings.client_certificate {
        Some((certificate, key)) => {
            Some((read("certificate-file", certificate)?, read("key-file", key)?))
        }
        None => None,
    };
    let simple = TlsConfiguration::Simple { ca, alpn: None, client_auth };
    Ok(Transport::tls_with_config(simple))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_that_others_can_read_are_told() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = |name: &str, mode: u32| {
            let path = folder.path().join(name);
            fs::write(&path, "x").expect("written");
            fs::set_permissions(&path, PermissionsExt::from_mode(mode)).expect("its mode");
            path.to_string_lossy().into_owned()
        };
        let (secret, shared, group) =
            (file("secret", 0o600), file("shared", 0o644), file("group", 0o640));
        let settings = |password: &str, key: &str| MqttSettings {
            name: "mqtt".to_owned(),
            version: MqttVersion::V3,
            broker: BrokerAddress::Embedded { listen: "127.0.0.1:0".to_owned() },
            root: "checkrail".to_owned(),
            client_id: "checkrail".to_owned(),
            user: None,
            password_file: Some(password.to_owned()),
            ca_file: None,
            client_certificate: Some((shared.clone(), key.to_owned())),
            map: Vec::new(),
            out: Vec::new(),
        };
        assert!(exposed(&settings(&secret, &secret)).is_empty());
        let told = exposed(&settings(&shared, &group));
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains(&format!("chmod 600 {shared}")), "{told:?}");
    }
}
