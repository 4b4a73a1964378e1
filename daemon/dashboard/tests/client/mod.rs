//! A server with an invented plant behind it, and an HTTP client of a few lines.

#![allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]

use std::{
    net::SocketAddr,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    time::Duration,
};

use dashboard::{Command, Metrics, Parts, Settings, View, Window, serve};
use supervision::snapshot::DistrictLoad;
use tokio::{
    io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader},
    net::TcpStream,
    sync::{Mutex, mpsc, watch},
};

use crate::valley::{faults, layout::valley, plant::Plant};

/// The operator token of every test.
pub const TOKEN: &str = "the-operator";

/// A running dashboard.
pub struct Server {
    server: Option<dashboard::Server>,
    plant: Arc<Mutex<Plant>>,
    window: Arc<Window>,
    stop: watch::Sender<bool>,
    asked: Arc<AtomicUsize>,
}

impl Server {
    pub async fn start(read_token: Option<&str>) -> Self {
        let layout = valley(4, 18);
        let plant = Plant::new(layout.clone(), 1_795_600_000_000);
        let window = Arc::new(Window::new(plant.view()));
        let (commands, requests) = mpsc::channel(8);
        let (stop, shutdown) = watch::channel(false);
        let settings = Settings {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            hosts: Vec::new(),
            operator_token: TOKEN.to_owned(),
            read_token: read_token.map(str::to_owned),
            revision: "5e0a11c3".to_owned(),
            demo: false,
            version: "0.0.0".to_owned(),
        };
        let parts = Parts {
            layout: Arc::new(layout),
            window: Arc::clone(&window),
            commands,
            archive: Arc::new(faults::archive(18)),
            metrics: Arc::new(Metrics::new()),
            shutdown,
        };
        let server = serve(settings, parts).await.unwrap();
        let plant = Arc::new(Mutex::new(plant));
        let asked = Arc::new(AtomicUsize::new(0));
        tokio::spawn(answer(Arc::clone(&plant), Arc::clone(&window), requests, Arc::clone(&asked)));
        Self { server: Some(server), plant, window, stop, asked }
    }

    pub fn address(&self) -> SocketAddr {
        self.server.as_ref().unwrap().address()
    }

    pub fn client(&self) -> Client {
        Client::new(self.address(), &self.address().to_string())
    }

    pub async fn signed_in(&self) -> Client {
        let body = format!(r#"{{"token":"{TOKEN}","name":"Ines"}}"#);
        let answer = self.client().post("/api/v1/session", &body).await;
        let cookie = answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
        self.client().with(&format!("Cookie: {cookie}"))
    }

    /// How often the supervisor was asked for something.
    pub async fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }

    /// Follows the stream until it shows what is wanted.
    pub async fn shown(&self, wanted: impl Fn(&serde_json::Value) -> bool) {
        let mut events = self.client().follow().await;
        let _ = events.next().await;
        let seen = async {
            while !wanted(&self.client().get("/api/v1/state").await.json()) {
                let _ = events.next_of("d").await;
            }
        };
        tokio::time::timeout(Duration::from_secs(5), seen).await.expect("it is never shown");
    }

    /// Lets something happen and publishes it.
    pub async fn with_plant(&self, happen: impl FnOnce(&mut Plant)) {
        let mut plant = self.plant.lock().await;
        happen(&mut plant);
        show(&self.window, plant.view());
    }

    /// Publishes the plant's view, changed.
    pub async fn publish(&self, change: impl FnOnce(&mut View)) {
        let mut view = self.plant.lock().await.view();
        change(&mut view);
        show(&self.window, view);
    }

    /// Publishes the plant's view, changed, as soon as somebody looks.
    pub fn publish_when_asked(&self, change: impl FnOnce(&mut View) + Send + 'static) {
        let (plant, window) = (Arc::clone(&self.plant), Arc::clone(&self.window));
        tokio::spawn(async move {
            while !window.was_asked() {
                tokio::task::yield_now().await;
            }
            let mut view = plant.lock().await.view();
            change(&mut view);
            show(&window, view);
        });
    }

    /// Tells it to stop and waits until it has.
    pub async fn stop(mut self) {
        self.stop.send_replace(true);
        self.server.take().unwrap().stopped().await;
    }
}

/// As the shell shows it on a beat.
fn show(window: &Window, view: View) {
    window.note(view.snapshot.districts.iter().map(DistrictLoad::from));
    window.show(view);
}

async fn answer(
    plant: Arc<Mutex<Plant>>,
    window: Arc<Window>,
    mut requests: mpsc::Receiver<Command>,
    asked: Arc<AtomicUsize>,
) {
    while let Some(command) = requests.recv().await {
        asked.fetch_add(1, Ordering::SeqCst);
        let mut plant = plant.lock().await;
        let result = plant.answer(&command.request.act);
        show(&window, plant.view());
        let _ = command.answer.send(result);
    }
}

/// A client that sends one request a connection.
#[derive(Clone)]
pub struct Client {
    address: SocketAddr,
    host: String,
    headers: Vec<String>,
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    head: Vec<(String, String)>,
    pub body: String,
}

impl Answer {
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|_| panic!("no JSON: {}", self.body))
    }

    pub fn code(&self) -> String {
        self.json()["error"].as_str().unwrap_or_default().to_owned()
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str())
    }
}

impl Client {
    pub fn new(address: SocketAddr, host: &str) -> Self {
        Self { address, host: host.to_owned(), headers: Vec::new() }
    }

    /// The same with one header more; a content type replaces the usual one.
    #[must_use]
    pub fn with(&self, header: &str) -> Self {
        let mut it = self.clone();
        it.headers.push(header.to_owned());
        it
    }

    #[must_use]
    pub fn bearer(&self, token: Option<&str>) -> Self {
        token.map_or_else(|| self.clone(), |it| self.with(&format!("Authorization: Bearer {it}")))
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.send("GET", path, "").await
    }

    pub async fn post(&self, path: &str, body: &str) -> Answer {
        self.with("Content-Type: application/json").send("POST", path, body).await
    }

    pub async fn send(&self, method: &str, path: &str, body: &str) -> Answer {
        let mut stream = self.open(method, path, body).await;
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).await.unwrap();
        let text = String::from_utf8(bytes).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let mut lines = head.lines();
        let status = lines.next().unwrap().split(' ').nth(1).unwrap().parse().unwrap();
        let head = lines
            .filter_map(|line| line.split_once(": "))
            .map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()))
            .collect();
        Answer { status, head, body: body.to_owned() }
    }

    async fn open(&self, method: &str, path: &str, body: &str) -> TcpStream {
        let mut stream = TcpStream::connect(self.address).await.unwrap();
        let headers: String = self.headers.iter().map(|it| format!("{it}\r\n")).collect();
        let length = body.len();
        let host = &self.host;
        let text = format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Length: {length}\r\n{headers}\r\n{body}"
        );
        // A refused body may not be read to its end.
        let _ = stream.write_all(text.as_bytes()).await;
        stream
    }

    /// Follows the stream.
    pub async fn follow(&self) -> Events {
        self.follow_after("").await
    }

    /// Follows the stream from a query on.
    pub async fn follow_after(&self, query: &str) -> Events {
        let stream = self.open("GET", &format!("/api/v1/stream{query}"), "").await;
        Events { lines: BufReader::new(stream) }
    }
}

/// Events of the stream.
pub struct Events {
    lines: BufReader<TcpStream>,
}

/// One event.
#[derive(Debug)]
pub struct Event {
    pub name: String,
    pub id: String,
    pub data: serde_json::Value,
}

impl Events {
    /// The next event; none when the stream has ended.
    pub async fn next(&mut self) -> Option<Event> {
        let (mut name, mut id) = (String::new(), String::new());
        loop {
            let mut line = String::new();
            if self.lines.read_line(&mut line).await.ok()? == 0 {
                return None;
            }
            match line.trim_end().split_once(": ") {
                Some(("event", it)) => name = it.to_owned(),
                Some(("id", it)) => id = it.to_owned(),
                Some(("data", it)) => {
                    let data = serde_json::from_str(it).unwrap();
                    return Some(Event { name, id, data });
                }
                Some(_) | None => {}
            }
        }
    }

    /// The next event of this name.
    pub async fn next_of(&mut self, wanted: &str) -> Event {
        loop {
            let event = self.next().await.expect("the stream goes on");
            if event.name == wanted {
                return event;
            }
        }
    }
}
