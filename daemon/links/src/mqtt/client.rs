//! One client for both versions of MQTT: what the connection asks of it and what it hears from it, in our own words.

use rumqttc::{
    AsyncClient, Event, EventLoop, Incoming, NetworkOptions, Outgoing as Sent, Publish, QoS,
    SubscribeFilter, SubscribeReasonCode, v5,
};
use v5::mqttbytes::{
    QoS as QoS5,
    v5::{Filter, Packet as Packet5, PubAckReason, Publish as Publish5, PublishProperties},
};

use super::options::ClientOptions;

/// Requests that may wait in the client.
const MOST_REQUESTS: usize = 128;
/// Unit: s.
const CONNECT_WITHIN: u64 = 5;

/// The side that asks.
#[derive(Clone, Debug)]
pub(crate) enum Client {
    /// MQTT 3.1.1.
    V3(AsyncClient),
    /// MQTT 5.
    V5(v5::AsyncClient),
}

/// The side that hears. Boxed: the two differ much in size.
pub(crate) enum Events {
    /// MQTT 3.1.1.
    V3(Box<EventLoop>),
    /// MQTT 5.
    V5(Box<v5::EventLoop>),
}

/// A message to hand to the client.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Letter<'a> {
    pub(crate) topic: &'a str,
    pub(crate) payload: &'a str,
    /// QoS 1; else 0.
    pub(crate) sure: bool,
    pub(crate) retain: bool,
    /// The broker forgets it after so long, where MQTT 5 is spoken. Unit: s.
    pub(crate) expires: Option<u32>,
}

/// What was heard.
#[derive(Debug)]
pub(crate) enum Heard {
    /// The broker accepted the connection.
    Connected,
    /// A message came.
    Message(Message),
    /// Whether each filter was accepted.
    Subscribed(Vec<bool>),
    /// A QoS 1 message of ours went out under this number.
    Sent(u16),
    /// The broker took the message of this number, or said why not.
    Taken(u16, Verdict),
    /// Our goodbye was sent.
    Parted,
    /// Of no concern.
    Other,
}

/// What the broker did with a message of ours.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) enum Verdict {
    /// It took it. Under 3.1.1 it says so of a message that it threw away, too.
    Took,
    /// It took it, and nobody listens.
    NobodyListens,
    /// It refused it.
    Refused(String),
}

/// A message as it came.
#[derive(Debug)]
pub(crate) enum Message {
    V3(Publish),
    V5(Publish5),
}

impl Message {
    /// None where the topic is no text.
    pub(crate) fn topic(&self) -> Option<&str> {
        match self {
            Self::V3(it) => Some(&it.topic),
            Self::V5(it) => std::str::from_utf8(&it.topic).ok(),
        }
    }

    pub(crate) fn payload(&self) -> &[u8] {
        match self {
            Self::V3(it) => &it.payload,
            Self::V5(it) => &it.payload,
        }
    }

    pub(crate) const fn retained(&self) -> bool {
        match self {
            Self::V3(it) => it.retain,
            Self::V5(it) => it.retain,
        }
    }
}

/// Makes both sides. Without TCP_NODELAY a QoS 1 order waits about 40 ms for a delayed acknowledgement.
pub(crate) fn open(options: &ClientOptions) -> (Client, Events) {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_WITHIN);
    match options {
        ClientOptions::V3(options) => {
            let (client, mut events) = AsyncClient::new((**options).clone(), MOST_REQUESTS);
            events.set_network_options(network);
            (Client::V3(client), Events::V3(Box::new(events)))
        }
        ClientOptions::V5(options) => {
            let mut options = (**options).clone();
            options.set_network_options(network);
            options.set_connection_timeout(CONNECT_WITHIN);
            let (client, events) = v5::AsyncClient::new(options, MOST_REQUESTS);
            (Client::V5(client), Events::V5(Box::new(events)))
        }
    }
}

impl Client {
    /// Hands a message over; false when there is no room. Never waits.
    pub(crate) fn publish(&self, letter: Letter) -> bool {
        let Letter { topic, payload, sure, retain, expires } = letter;
        let payload = payload.as_bytes().to_vec();
        match self {
            Self::V3(client) => client.try_publish(topic, qos(sure), retain, payload).is_ok(),
            Self::V5(client) => {
                let properties = PublishProperties {
                    message_expiry_interval: expires,
                    ..PublishProperties::default()
                };
                let (topic, qos) = (topic.to_owned(), qos5(sure));
                client.try_publish_with_properties(topic, qos, retain, payload, properties).is_ok()
            }
        }
    }

    /// Asks for all filters at once; false when there is no room.
    pub(crate) fn subscribe(&self, filters: &[(String, bool)]) -> bool {
        match self {
            Self::V3(client) => {
                let wanted = filters
                    .iter()
                    .map(|(filter, sure)| SubscribeFilter::new(filter.clone(), qos(*sure)));
                client.try_subscribe_many(wanted).is_ok()
            }
            Self::V5(client) => {
                let wanted =
                    filters.iter().map(|(filter, sure)| Filter::new(filter.clone(), qos5(*sure)));
                client.try_subscribe_many(wanted).is_ok()
            }
        }
    }

    pub(crate) fn unsubscribe(&self, filter: &str) {
        // Not unsubscribed means only that we go on hearing ourselves.
        let _ = match self {
            Self::V3(client) => client.try_unsubscribe(filter).is_ok(),
            Self::V5(client) => client.try_unsubscribe(filter).is_ok(),
        };
    }

    pub(crate) fn part(&self) -> bool {
        match self {
            Self::V3(client) => client.try_disconnect().is_ok(),
            Self::V5(client) => client.try_disconnect().is_ok(),
        }
    }
}

impl Events {
    /// The next event, or why the connection is over.
    pub(crate) async fn poll(&mut self) -> Result<Heard, String> {
        match self {
            Self::V3(events) => events.poll().await.map(heard3).map_err(|it| it.to_string()),
            Self::V5(events) => events.poll().await.map(heard5).map_err(|it| it.to_string()),
        }
    }
}

const fn qos(sure: bool) -> QoS {
    if sure { QoS::AtLeastOnce } else { QoS::AtMostOnce }
}

const fn qos5(sure: bool) -> QoS5 {
    if sure { QoS5::AtLeastOnce } else { QoS5::AtMostOnce }
}

fn heard3(event: Event) -> Heard {
    match event {
        // Another code than success ends the poll with an error.
        Event::Incoming(Incoming::ConnAck(_)) => Heard::Connected,
        Event::Incoming(Incoming::Publish(message)) => Heard::Message(Message::V3(message)),
        Event::Incoming(Incoming::SubAck(ack)) => {
            let good = |code: &SubscribeReasonCode| *code != SubscribeReasonCode::Failure;
            Heard::Subscribed(ack.return_codes.iter().map(good).collect())
        }
        Event::Incoming(Incoming::PubAck(ack)) => Heard::Taken(ack.pkid, Verdict::Took),
        Event::Outgoing(Sent::Publish(id)) if id != 0 => Heard::Sent(id),
        Event::Outgoing(Sent::Disconnect) => Heard::Parted,
        Event::Incoming(_) | Event::Outgoing(_) => Heard::Other,
    }
}

fn heard5(event: v5::Event) -> Heard {
    use v5::mqttbytes::v5::SubscribeReasonCode as Code;
    match event {
        v5::Event::Incoming(Packet5::ConnAck(_)) => Heard::Connected,
        v5::Event::Incoming(Packet5::Publish(message)) => Heard::Message(Message::V5(message)),
        v5::Event::Incoming(Packet5::SubAck(ack)) => {
            let good = |code: &Code| matches!(code, Code::Success(_));
            Heard::Subscribed(ack.return_codes.iter().map(good).collect())
        }
        v5::Event::Incoming(Packet5::PubAck(ack)) => Heard::Taken(ack.pkid, verdict(ack.reason)),
        v5::Event::Outgoing(Sent::Publish(id)) if id != 0 => Heard::Sent(id),
        v5::Event::Outgoing(Sent::Disconnect) => Heard::Parted,
        v5::Event::Incoming(_) | v5::Event::Outgoing(_) => Heard::Other,
    }
}

fn verdict(reason: PubAckReason) -> Verdict {
    match reason {
        PubAckReason::Success => Verdict::Took,
        PubAckReason::NoMatchingSubscribers => Verdict::NobodyListens,
        PubAckReason::NotAuthorized => Verdict::Refused("not authorised".to_owned()),
        PubAckReason::QuotaExceeded => Verdict::Refused("quota exceeded".to_owned()),
        PubAckReason::TopicNameInvalid => Verdict::Refused("topic name invalid".to_owned()),
        PubAckReason::UnspecifiedError
        | PubAckReason::ImplementationSpecificError
        | PubAckReason::PacketIdentifierInUse
        | PubAckReason::PayloadFormatInvalid => Verdict::Refused(format!("{reason:?}")),
    }
}
