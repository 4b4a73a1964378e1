//! MQTT over TLS with a private certificate authority, user and password, against a real mosquitto. Where the machine has no
//! `openssl` or `mosquitto_passwd` to prepare it, the test says so and ends.

#[allow(dead_code)]
#[path = "support/bench.rs"]
mod bench;
#[allow(dead_code)]
#[path = "support/broker.rs"]
mod broker;
#[path = "support/layout.rs"]
mod layout;

use std::{path::Path, process::Command};

use bench::{Bench, PATIENCE};
use broker::{Mosquitto, free_port, mqtt};
use wiring::links::{BrokerAddress, LinkSettings};

/// Runs a program in a directory; false when it is missing or fails.
fn run(directory: &Path, program: &str, arguments: &str) -> bool {
    let output = Command::new(program).args(arguments.split(' ')).current_dir(directory).output();
    output.is_ok_and(|it| it.status.success())
}

/// A certificate authority `NAME-ca.pem` and a certificate for 127.0.0.1 signed by it.
fn certificates(directory: &Path, name: &str) -> bool {
    std::fs::write(directory.join("san"), "subjectAltName=IP:127.0.0.1\n").expect("written");
    let authority = format!(
        "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN={name}-ca -keyout {name}-ca.key -out {name}-ca.pem"
    );
    let request = format!(
        "req -newkey rsa:2048 -nodes -subj /CN=127.0.0.1 -keyout {name}.key -out {name}.csr"
    );
    let sign = format!(
        "x509 -req -days 2 -in {name}.csr -CA {name}-ca.pem -CAkey {name}-ca.key -CAcreateserial -extfile san -out {name}.pem"
    );
    [authority, request, sign].iter().all(|it| run(directory, "openssl", it))
}

fn settings(port: u16, directory: &Path, ca: &str, password: &str) -> LinkSettings {
    let host = "127.0.0.1".to_owned();
    let mut settings = mqtt(BrokerAddress::External { host, port, tls: true });
    let file = |name: &str| directory.join(name).to_string_lossy().into_owned();
    std::fs::write(directory.join("secret"), format!("{password}\n")).expect("written");
    let link = settings.mqtt.as_mut().expect("the link");
    link.ca_file = Some(file(ca));
    link.user = Some("checkrail".to_owned());
    link.password_file = Some(file("secret"));
    settings
}

/// Starts the links and waits until they say why they are not connected.
async fn trouble(settings: &LinkSettings) -> String {
    let bench = Bench::start(settings).await;
    let said = async {
        loop {
            let status = bench.links.status().remove(0);
            assert!(!status.up, "connected in spite of all");
            if !status.trouble.is_empty() {
                return status.trouble;
            }
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, said).await.expect("what is wrong")
}

#[tokio::test]
async fn a_broker_with_a_private_authority_is_trusted_and_no_other() {
    let directory = tempfile::tempdir().expect("a directory");
    let path = directory.path();
    let prepared = certificates(path, "club")
        && certificates(path, "stranger")
        && run(path, "mosquitto_passwd", "-c -b users checkrail valley");
    if !prepared {
        tracing::warn!("not run: needs openssl and mosquitto_passwd");
        return;
    }
    let port = free_port();
    let at = path.display();
    let listener = format!(
        "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {at}/users\n\
         cafile {at}/club-ca.pem\ncertfile {at}/club.pem\nkeyfile {at}/club.key\n"
    );
    let Some(_mosquitto) = Mosquitto::start_with(port, &listener).await else { return };
    let bench = Bench::start(&settings(port, path, "club-ca.pem", "valley")).await;
    bench.until_up(true).await;
    bench.links.stop().await;
    let stranger = trouble(&settings(port, path, "stranger-ca.pem", "valley")).await;
    assert!(stranger.contains("certificate"), "{stranger}");
    let password = trouble(&settings(port, path, "club-ca.pem", "wrong")).await;
    assert!(password.contains("refused") || password.contains("refuses"), "{password}");
}

#[tokio::test]
async fn mistakes_of_encryption_are_named_before_anything_starts() {
    let directory = tempfile::tempdir().expect("a directory");
    let good = settings(1, directory.path(), "secret", "x");
    let mut no_ca = good.clone();
    no_ca.mqtt.as_mut().expect("the link").ca_file = None;
    let mut no_file = good.clone();
    no_file.mqtt.as_mut().expect("the link").password_file = Some("no-such-file".to_owned());
    for (settings, want) in [(no_ca, "ca-file"), (no_file, "no-such-file")] {
        let options = links::Options { run: 1, version: String::new() };
        let started =
            links::start(&settings, layout::channels(), links::Tick::new(), options).await;
        let error = started.expect_err("a mistake").to_string();
        assert!(error.contains(want), "{error}");
    }
}
