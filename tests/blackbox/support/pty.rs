//! A serial line whose near end is a device for the program and whose far end is the test's.

use std::{fs::File, os::fd::AsFd};

/// The far end.
pub struct Pty {
    pub master: File,
    /// The near end as the layout file names it.
    pub device: String,
}

impl Pty {
    pub fn open() -> Self {
        let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
        let mut settings = nix::sys::termios::tcgetattr(pair.slave.as_fd()).expect("its settings");
        nix::sys::termios::cfmakeraw(&mut settings);
        let now = nix::sys::termios::SetArg::TCSANOW;
        nix::sys::termios::tcsetattr(pair.slave.as_fd(), now, &settings).expect("set");
        let device = nix::unistd::ttyname(&pair.slave).expect("its name");
        let device = device.to_str().expect("text").to_owned();
        Self { master: File::from(pair.master), device }
    }

    /// A second handle of the far end.
    pub fn copy(&self) -> File {
        self.master.try_clone().expect("a handle")
    }
}
