//! Damaged requests: none brings the server down or makes it fail, and none acts without the operator's token.
//!
//! A corpus file is a request with plain line ends; `LENGTH` stands for the length of its body, so that a damaged body
//! still comes to an end.

mod client;
#[path = "../../../tests/fuzz/mod.rs"]
mod fuzz;
mod valley;

use std::{
    net::{Ipv4Addr, SocketAddr},
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};

use client::{Server, TOKEN};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpSocket,
    time::timeout,
};

const WORDS: [&str; 50] = [
    "GET ",
    "POST ",
    "DELETE ",
    "HEAD ",
    "OPTIONS ",
    "/api/v1/cut",
    "/api/v1/restore",
    "/api/v1/acknowledge",
    "/api/v1/shelve",
    "/api/v1/hold",
    "/api/v1/culprit",
    "/api/v1/commission",
    "/api/v1/session",
    "/api/v1/stream",
    "/api/v1/faults?limit=",
    "/api/v1/faults/1/export?as=",
    "/api/v1/report?from=",
    "/api/v1/turnouts",
    "/api/v1/wiring/",
    "/metrics",
    "/health",
    "/assets/",
    "%2e%2e/",
    "%00",
    "%ff",
    "?",
    "&",
    "Host: 127.0.0.1",
    "Host: evil.example",
    "Authorization: Bearer the-operator",
    "Authorization: Bearer ",
    "Cookie: ",
    "Content-Type: application/json",
    "Content-Length: 5",
    "Transfer-Encoding: chunked",
    "Expect: 100-continue",
    "Connection: close",
    "Accept-Encoding: gzip",
    "Last-Event-ID: ",
    "Idempotency-Key: ",
    "Origin: null",
    "{",
    "}",
    "[",
    "]",
    "\"district\":\"quarry\"",
    "\"subject\":",
    "\"confirm\":true",
    "null",
    "\u{1f682}",
];

/// An answer that is coming is there within this; then the other end is told that no more will follow.
const SOON: Duration = Duration::from_millis(20);
/// Nothing of ours answers more to one request, but the stream, which never ends.
const MOST: usize = 256 * 1024;

#[test]
fn no_request_is_too_much() {
    let panics = count_panics();
    let runtime = tokio::runtime::Builder::new_multi_thread();
    let runtime = { runtime }.worker_threads(1).enable_all().build().expect("a runtime");
    let server = runtime.block_on(Server::start(None));
    let mut from = 0_u32;
    fuzz::Target { name: "http", words: &WORDS, more: &[], weight: 2 }.run(|bytes| {
        let request = whole(bytes);
        let before = runtime.block_on(server.asked());
        // Each from an address of its own: wrong tokens of one do not lock out the next.
        from = from % 0xFF_FFF0 + 1;
        let address = Ipv4Addr::from_bits(Ipv4Addr::LOCALHOST.to_bits() + from);
        let answer = runtime.block_on(ask(address, server.address(), &request));
        let asked = runtime.block_on(server.asked()) - before;
        let token = request.windows(TOKEN.len()).any(|it| it == TOKEN.as_bytes());
        assert!(asked == 0 || token, "somebody acted without the token");
        assert_eq!(panics.load(Ordering::SeqCst), 0, "the server failed");
        let text = String::from_utf8_lossy(&answer);
        if text.is_empty() {
            return "silent".to_owned();
        }
        let status = text.strip_prefix("HTTP/1.").and_then(|it| it.get(2..5));
        let status = status.unwrap_or_else(|| panic!("answers {text}"));
        assert!(status < "500" || matches!(status, "501" | "503" | "505"), "answers {text}");
        let error = text.split_once("\"error\":\"").and_then(|(_, it)| it.split('"').next());
        format!("{status} {} {asked}", error.unwrap_or_default())
    });
    // Its supervisor is as old as the last view: one more makes it well.
    runtime.block_on(server.publish(|_| {}));
    let answer = runtime.block_on(server.client().get("/health"));
    assert_eq!(answer.status, 200, "{}", answer.body);
}

/// Panics of all threads; the server's own would be heard of nowhere else.
fn count_panics() -> Arc<AtomicU64> {
    let count = Arc::new(AtomicU64::new(0));
    let (counted, usual) = (Arc::clone(&count), std::panic::take_hook());
    std::panic::set_hook(Box::new(move |panic| {
        counted.fetch_add(1, Ordering::SeqCst);
        usual(panic);
    }));
    count
}

/// The request with the line ends of HTTP in its head.
fn whole(bytes: &[u8]) -> Vec<u8> {
    let end = bytes.windows(2).position(|it| it == b"\n\n").unwrap_or(bytes.len());
    let (head, body) = bytes.split_at(end);
    let body = body.strip_prefix(b"\n\n").unwrap_or(body);
    let length = body.len().to_string();
    let mut request = Vec::new();
    for line in head.split(|it| *it == b'\n') {
        match line.strip_suffix(b"LENGTH") {
            Some(name) => request.extend([name, length.as_bytes(), b"\r\n"].concat()),
            None => request.extend([line, b"\r\n"].concat()),
        }
    }
    request.extend(b"\r\n");
    request.extend(body);
    request
}

async fn ask(from: Ipv4Addr, server: SocketAddr, request: &[u8]) -> Vec<u8> {
    let socket = TcpSocket::new_v4().expect("a socket");
    socket.bind(SocketAddr::from((from, 0))).expect("an address of this machine");
    let mut stream = socket.connect(server).await.expect("it listens");
    // A request that is refused early is not read to its end.
    let _ = stream.write_all(request).await;
    let mut answer = Vec::new();
    let mut told = false;
    while answer.len() < MOST {
        match timeout(SOON, stream.read_buf(&mut answer)).await {
            Ok(Ok(0) | Err(_)) => break,
            Ok(Ok(_)) => {}
            Err(_) if told => break,
            Err(_) => {
                told = true;
                let _ = stream.shutdown().await;
            }
        }
    }
    answer
}
