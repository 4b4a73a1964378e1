//! A mosquitto of the test's own: a free loopback port, a configuration in a folder of its own, killed by its handle.

use std::{
    fs,
    net::TcpListener,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
};

/// A running broker.
pub struct Broker {
    child: Child,
    /// Where it listens.
    pub port: u16,
    config: PathBuf,
}

impl Broker {
    /// Starts one in `folder`.
    pub fn start(folder: &Path) -> Self {
        let port = free_port();
        let config = folder.join("broker.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\n"
        );
        fs::write(&config, text).expect("configuration written");
        let child = spawn(&config);
        Self { child, port, config }
    }

    /// Sends it a signal: it can be stopped and go on.
    pub fn signal(&self, signal: nix::sys::signal::Signal) {
        let pid = nix::unistd::Pid::from_raw(self.child.id().cast_signed());
        nix::sys::signal::kill(pid, signal).expect("it lives");
    }

    /// Kills it: every connection drops.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Starts it again on the same port, with nothing remembered.
    pub fn restart(&mut self) {
        self.kill();
        self.child = spawn(&self.config);
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

fn spawn(config: &Path) -> Child {
    Command::new("mosquitto")
        .arg("-c")
        .arg(config)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto is installed; tests/run installs it")
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|it| it.local_addr()).expect("a free port").port()
}
