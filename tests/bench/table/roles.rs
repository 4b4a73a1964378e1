//! What this program plays as a process of its own: the bare loops, and the other readings.

use std::{
    collections::BTreeMap,
    fs::File,
    io::{BufRead, BufReader, Write},
    process::Command,
    time::{Duration, Instant},
};

use rumqttc::{Event, Packet, QoS};
use serde_json::{Value, json};

use crate::{
    support::{
        client::{connect, listen},
        process::Process,
    },
    yard,
};

/// Other readings a second, in bundles of one millisecond.
const A_MILLISECOND: u64 = 5;

/// Starts this program in a role.
pub(crate) fn start(role: &str, arguments: &[&str]) -> Process {
    let mut command = Command::new(std::env::current_exe().expect("its own path"));
    command.arg(role).args(arguments);
    Process::start(command).expect("this program starts again")
}

/// Plays a role if the arguments name one.
pub(crate) fn played(given: &[String]) -> bool {
    let words: Vec<&str> = given.iter().map(String::as_str).collect();
    match words[..] {
        ["mqtt-floor", port, root] => wait_for(mqtt_floor(port.parse().expect("a port"), root)),
        ["load", port, root] => wait_for(load(port.parse().expect("a port"), root)),
        ["pty-floor", path] => pty_floor(path),
        _ => return false,
    }
    true
}

fn wait_for(future: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.expect("a runtime").block_on(future);
}

/// Subscribe, compare, publish, and nothing else.
async fn mqtt_floor(port: u16, root: &str) {
    let filter = format!("{root}/+/reading/#");
    let (client, mut eventloop) = connect(&format!("{root}-loop"), port, &[filter], false).await;
    client.publish(format!("{root}/ready"), QoS::AtLeastOnce, true, "ready").await.expect("room");
    let mut above = BTreeMap::<String, u32>::new();
    loop {
        let Ok(Event::Incoming(Packet::Publish(heard))) = eventloop.poll().await else { continue };
        let reading: Value = serde_json::from_slice(&heard.payload).expect("a reading");
        let count = above.entry(heard.topic.clone()).or_default();
        *count = if reading["v"].as_f64() < Some(3.0) { 0 } else { *count + 1 };
        if *count == 2 {
            let order =
                heard.topic.replacen("/reading/", "/order/", 1).replace("/current", "/power");
            let body = json!({"op": "cut", "cause": "short-circuit"}).to_string();
            client.try_publish(order, QoS::AtLeastOnce, false, body).expect("room");
        }
    }
}

/// 5,000 readings a second of other channels, each a message.
async fn load(port: u16, root: &str) {
    let topics: Vec<String> = yard::blocks()
        .iter()
        .map(|it| format!("{root}/others/reading/block/{it}/current"))
        .collect();
    let (client, eventloop) = connect(&format!("{root}-others"), port, &[], true).await;
    let _heard = listen(eventloop);
    let start = Instant::now();
    let mut sent = 0_u64;
    loop {
        let elapsed = u64::try_from(start.elapsed().as_millis()).expect("short");
        while sent < elapsed * A_MILLISECOND {
            let at = usize::try_from(sent).expect("few") % topics.len();
            let amps = yard::amps(at, sent);
            let body = json!({"v": amps, "n": sent, "ms": elapsed, "b": yard::BOOT}).to_string();
            client.publish(&topics[at], QoS::AtMostOnce, false, body).await.expect("connected");
            sent += 1;
        }
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// Reads lines, compares, writes one back, and nothing else.
fn pty_floor(path: &str) {
    use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
    let device = File::options().read(true).write(true).open(path).expect("the device");
    let mut settings = tcgetattr(&device).expect("its settings");
    cfmakeraw(&mut settings);
    tcsetattr(&device, SetArg::TCSANOW, &settings).expect("raw");
    let mut out = device.try_clone().expect("a second handle");
    out.write_all(b"#00:0000 HI clp=1\n").expect("written");
    let mut above = BTreeMap::<(String, u16), u32>::new();
    for line in BufReader::new(device).lines().map_while(Result::ok) {
        let Some((address, channel, value)) = reading(&line) else { continue };
        let count = above.entry((address.to_owned(), channel)).or_default();
        *count = if value < 3000 { 0 } else { *count + 1 };
        if *count == 2 {
            let order = format!("#{address}:0000 CUT {} short-circuit*0000\r\n", channel + 100);
            out.write_all(order.as_bytes()).expect("written");
        }
    }
}

/// Address, channel and value of `@AA:SSSS RD MS CHANNEL VALUE*CCCC`.
fn reading(line: &str) -> Option<(&str, u16, u32)> {
    let (head, body) = line.strip_prefix('@')?.split_once(' ')?;
    let (body, _) = body.split_once('*')?;
    let mut words = body.strip_prefix("RD ")?.split(' ').skip(1);
    let channel = words.next()?.parse().ok()?;
    Some((head.split(':').next()?, channel, words.next()?.parse().ok()?))
}
