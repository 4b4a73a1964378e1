//! A mosquitto of the run's own.

use std::{fs, net::TcpListener, path::Path, process::Command};

use super::process::Process;

/// Starts it on a free port, with TCP_NODELAY and without a limit of what may wait; none where it is not installed.
pub(crate) fn mosquitto(folder: &Path) -> Option<(Process, u16)> {
    let port = free_port();
    let config = folder.join("broker.conf");
    let text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\n"
    );
    fs::write(&config, text).expect("configuration written");
    let mut command = Command::new("mosquitto");
    command.arg("-c").arg(config);
    Process::start(command).ok().map(|it| (it, port))
}

/// A port of the loopback that is free now.
pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|it| it.local_addr()).expect("a free port").port()
}
