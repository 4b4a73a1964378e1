//! MQTT clients with TCP_NODELAY, and messages with the instant of their arrival.

use std::time::{Duration, Instant};

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use tokio::{sync::mpsc, time::sleep};

/// A message: when it came, its topic, its payload.
pub(crate) type Heard = (Instant, String, Vec<u8>);

/// Connects, and subscribes to every filter with QoS 1, or 0 where `sure` is false. Tries for ever.
pub(crate) async fn connect(
    id: &str,
    port: u16,
    filters: &[String],
    sure: bool,
) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_max_packet_size(1024 * 1024, 1024 * 1024);
    let (client, mut eventloop) = AsyncClient::new(options, 4096);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    eventloop.set_network_options(network);
    let qos = if sure { QoS::AtLeastOnce } else { QoS::AtMostOnce };
    let mut subscribed = 0;
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                for filter in filters {
                    client.try_subscribe(filter, qos).expect("room");
                }
                if filters.is_empty() {
                    return (client, eventloop);
                }
            }
            Ok(Event::Incoming(Packet::SubAck(_))) => {
                subscribed += 1;
                if subscribed == filters.len() {
                    return (client, eventloop);
                }
            }
            Ok(_) => {}
            Err(_) => sleep(Duration::from_millis(50)).await,
        }
    }
}

/// Polls a connection for ever and hands every message on.
pub(crate) fn listen(mut eventloop: EventLoop) -> mpsc::UnboundedReceiver<Heard> {
    let (sender, receiver) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    let heard = (Instant::now(), publish.topic, publish.payload.to_vec());
                    if sender.send(heard).is_err() {
                        return;
                    }
                }
                Ok(_) => {}
                Err(_) => sleep(Duration::from_millis(50)).await,
            }
        }
    });
    receiver
}
