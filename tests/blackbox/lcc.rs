//! The built daemon on an LCC bus: a fake adapter on TCP and one on a pseudo-terminal. Frames: links.md 4.4.

mod support;

use std::{fmt::Write as _, net::TcpListener};

use serde_json::json;
use support::{adapter::Adapter, daemon::Daemon, fixture, pty::Pty};

/// Another node of the bus, with alias 2C5.
const OTHER: &str = ":X107012C5N050101012200;\n";

/// Cuts the east by an event of another node.
const OFF: &str = ":X195B4566N0501010122000020;";

fn layout(adapter: &str) -> String {
    let path = fixture("layouts/two-districts.toml");
    let mut layout = std::fs::read_to_string(path).expect("fixture");
    let table = r#"
node-id = "03.00.12.34.56.01"
own = { "machine/T1" = 1, "district/east" = 3 }
[[links.lcc.club.in]]
event = "05.01.01.01.22.00.00.10"
channel = "machine/T1/position"
value = "normal"
[[links.lcc.club.in]]
event = "05.01.01.01.22.00.00.11"
channel = "machine/T1/position"
value = "reverse"
[[links.lcc.club.out]]
channel = "district/east/power"
off = "05.01.01.01.22.00.00.20"
on = "05.01.01.01.22.00.00.21"
"#;
    write!(layout, "\n[links.lcc.club]\n{adapter}{table}").expect("text");
    layout
}

#[test]
fn positions_cuts_and_a_lost_adapter_over_tcp() {
    let folder = tempfile::tempdir().expect("a folder");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address");
    let daemon = Daemon::run(folder.path(), &layout(&format!("tcp = \"{address}\"")));
    let (mut adapter, stream) = Adapter::accept(&listener);
    adapter.until(":X19100566N030012345601;");
    adapter.until(":X19914566N0501010122000011;");
    adapter.says(OTHER);
    adapter.says(":X195442C5N0501010122000011;\n");
    adapter.until(":X19544566N0300123456011009;");
    adapter.says("junk:X195B42C5N05010101220000;:X195B42C5N0501010122000010;\n");
    adapter.until(":X195B4566N0300123456011008;");
    let state = daemon.json("/api/v1/state").to_string();
    assert!(state.contains("lcc/club"), "{state}");
    adapter.says(":X195B42C5N010000000000FFFF;\n");
    adapter.until(OFF);
    adapter.says(":X195B42C5N010000000000FFFE;\n");
    stream.shutdown(std::net::Shutdown::Both).expect("closed");
    // It connects anew, seeks an alias anew, and gives the cut that nobody has proved again.
    let (mut adapter, _stream) = Adapter::accept(&listener);
    adapter.until(":X10700566N;");
    adapter.until(OFF);
    adapter.says(":X194902C5N;\n");
    adapter.until(":X19170566N030012345601;");
    let state = daemon.json("/api/v1/state");
    assert_ne!(state["districts"][0]["power"], json!("on"), "nothing is restored: {state}");
    let said = adapter.said.lock().expect("not poisoned").clone();
    assert!(!said.contains("0501010122000021;") || !said.contains(":X195B4566N0501010122000021;"));
}

#[test]
fn an_adapter_on_a_serial_device_is_logged_in_to_and_told_of_the_end() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = Pty::open();
    let mut adapter = Adapter::new(line.copy(), line.copy());
    let text = layout(&format!("device = \"{}\"", line.device));
    let daemon = Daemon::run(folder.path(), &text);
    for frame in [":X17030566N;", ":X14601566N;", ":X10701566N030012345601;"] {
        adapter.until(frame);
    }
    adapter.says(":X198282C5N0566;");
    adapter.until(":X19668566N02C5041000;");
    daemon.terminate();
    adapter.until(":X195B4566N010000000000FFFF;");
}
