//! An LCC adapter as the program sees it: text goes in and out, over TCP or a serial line.

use std::{
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    sync::{Arc, Mutex},
    time::{Duration, Instant},
};

use super::node::PATIENCE;

pub struct Adapter {
    /// All that the program said.
    pub said: Arc<Mutex<String>>,
    into: Box<dyn Write + Send>,
}

impl Adapter {
    pub fn new(mut from: impl Read + Send + 'static, into: impl Write + Send + 'static) -> Self {
        let said = Arc::new(Mutex::new(String::new()));
        let log = Arc::clone(&said);
        std::thread::spawn(move || {
            let mut bytes = [0; 256];
            // Nothing is read while the program has a terminal not open yet.
            loop {
                match from.read(&mut bytes) {
                    Ok(0) => return,
                    Ok(count) => {
                        let text = String::from_utf8_lossy(&bytes[..count]);
                        log.lock().expect("not poisoned").push_str(&text);
                    }
                    Err(_) => std::thread::sleep(Duration::from_millis(5)),
                }
            }
        });
        Self { said, into: Box::new(into) }
    }

    /// The program's next connection.
    pub fn accept(listener: &TcpListener) -> (Self, TcpStream) {
        let (stream, _) = listener.accept().expect("the program connects");
        let copies = [stream.try_clone(), stream.try_clone()].map(|it| it.expect("a handle"));
        let [from, into] = copies;
        (Self::new(from, into), stream)
    }

    pub fn says(&mut self, text: &str) {
        self.into.write_all(text.as_bytes()).expect("written");
    }

    pub fn until(&self, frame: &str) {
        let limit = Instant::now() + PATIENCE;
        while Instant::now() < limit {
            if self.said.lock().expect("not poisoned").contains(frame) {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("{frame} never came: {}", self.said.lock().expect("not poisoned"));
    }
}
