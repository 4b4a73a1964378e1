//! Settings of everything that touches the outside: `[links]`, `[history]`, `[dashboard]`. Read here, because the
//! layout file has one reader; used by the crates of the same names.

mod foreign;
mod modbus;

pub use foreign::{
    Encoding, Extract, MapIn, MapOut, OutProof, REGEX_SIZE_MAX, TimeUnit, is_pointer,
    is_topic_filter, regex_mistake,
};
pub use modbus::{
    ModbusIdentity, ModbusOutput, ModbusPoint, ModbusSettings, ModbusTable, ModbusUnit, Picked,
    Raw, WordOrder,
};

use crate::{
    index::{BlockIx, ChannelIx, DistrictIx, FrogIx, MachineIx},
    units::Micros,
};

/// `[links]`, `[history]` and `[dashboard]`.
#[derive(Clone, Debug, Default)]
pub struct LinkSettings {
    /// `[links.mqtt]`.
    pub mqtt: Option<MqttSettings>,
    /// `[links.mqtt.also.NAME]`: further brokers.
    pub mqtt_also: Vec<MqttSettings>,
    /// `[links.serial.NAME]`.
    pub serial: Vec<SerialSettings>,
    /// `[links.modbus.NAME]`.
    pub modbus: Vec<ModbusSettings>,
    /// `[links.lcc.NAME]`.
    pub lcc: Vec<LccSettings>,
    /// `[history]`.
    pub history: HistorySettings,
    /// `[dashboard]`.
    pub dashboard: DashboardSettings,
}

/// Where the MQTT broker is.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum BrokerAddress {
    /// A broker of its own: `mqtt://host:1883`, or `mqtts://host:8883`.
    External {
        /// Host name or address.
        host: String,
        /// Port.
        port: u16,
        /// Encrypted.
        tls: bool,
    },
    /// Checkrail brings its own, listening here.
    Embedded {
        /// `127.0.0.1:1883`.
        listen: String,
    },
}

/// The version of MQTT that is spoken.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub enum MqttVersion {
    /// 3.1.1 (OASIS standard of 2014).
    #[default]
    V3,
    /// 5.0 (OASIS standard of 2019).
    V5,
}

/// `[links.mqtt]`, or one of `[links.mqtt.also.NAME]`.
#[derive(Clone, Debug)]
pub struct MqttSettings {
    /// `mqtt`, or NAME.
    pub name: String,
    /// `version`. Default 3.1.1.
    pub version: MqttVersion,
    /// `broker = "mqtt://host:1883"` or `embedded = "127.0.0.1:1883"`.
    pub broker: BrokerAddress,
    /// `root`. Default `checkrail`.
    pub root: String,
    /// `client-id`. Default `checkrail`.
    pub client_id: String,
    /// `user`.
    pub user: Option<String>,
    /// `password-file`.
    pub password_file: Option<String>,
    /// `ca-file`.
    pub ca_file: Option<String>,
    /// `certificate-file` and `key-file`.
    pub client_certificate: Option<(String, String)>,
    /// `[[links.mqtt.map]]`.
    pub map: Vec<MapIn>,
    /// `[[links.mqtt.out]]`.
    pub out: Vec<MapOut>,
}

/// What switches an output off when Checkrail falls silent.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Deadman {
    /// The node or board itself, by permit or watchdog.
    Node,
    /// A time relay in series.
    External,
    /// Nothing.
    None,
}

/// `[links.serial.NAME]`.
#[derive(Clone, Debug)]
pub struct SerialSettings {
    /// NAME.
    pub name: String,
    /// `device`.
    pub device: String,
    /// `baud`. Default 115200.
    pub baud: u32,
}

/// `[links.lcc.NAME]`.
#[derive(Clone, Debug)]
pub struct LccSettings {
    /// NAME.
    pub name: String,
    /// `device = "/dev/…"` or `tcp = "host:12021"`.
    pub device: String,
    /// Over TCP.
    pub tcp: bool,
    /// `baud`. Default 115200.
    pub baud: u32,
    /// `node-id`, six bytes.
    pub node_id: [u8; 6],
    /// `own`: objects in our own events, and their index there, 0 to 511.
    pub own: Vec<(LccObject, u16)>,
    /// `[[links.lcc.NAME.in]]`.
    pub events_in: Vec<LccIn>,
    /// `[[links.lcc.NAME.out]]`.
    pub events_out: Vec<LccOut>,
}

/// What our own LCC events tell of.
#[derive(Clone, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub enum LccObject {
    /// `machine/ID`: position told, request heard.
    Machine(MachineIx),
    /// `block/ID`: occupancy told.
    Block(BlockIx),
    /// `district/ID`: power told, request to cut heard.
    District(DistrictIx),
    /// `frog/ID`: measured polarity told.
    Frog(FrogIx),
    /// `node/NAME`: its life told.
    Node(String),
}

/// `[[links.lcc.NAME.in]]`: somebody's event, and the value that it tells.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct LccIn {
    /// Eight bytes.
    pub event: [u8; 8],
    /// The channel: an input, or a `power` channel for a request to cut.
    pub channel: ChannelIx,
    /// Its value as written, one that the channel can have; `cut` for a request.
    pub value: String,
}

/// `[[links.lcc.NAME.out]]`: an output that takes its orders as events.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct LccOut {
    /// A `power` or `throw` channel.
    pub channel: ChannelIx,
    /// The event of `off`, or of `normal` for a throw.
    pub off: [u8; 8],
    /// The event of `on`, or of `reverse` for a throw.
    pub on: [u8; 8],
}

/// `[history]`.
#[derive(Clone, Debug, Default)]
pub struct HistorySettings {
    /// `path`: directory of the database; none: the state directory.
    pub path: Option<String>,
    /// `journal`: directory into which `run` records.
    pub journal: Option<String>,
}

/// `[dashboard]`.
#[derive(Clone, Debug)]
pub struct DashboardSettings {
    /// `listen`. Default `127.0.0.1:8080`.
    pub listen: String,
    /// `hosts`: names besides its address under which it answers, in lower case and without port.
    pub hosts: Vec<String>,
    /// `read-token-file`: reading needs this token.
    pub read_token_file: Option<String>,
    /// `operator-token-file`: acting needs this token; none: a new one is made at start and logged.
    pub operator_token_file: Option<String>,
}

impl LinkSettings {
    /// Nothing is connected.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.mqtt.is_none()
            && self.serial.is_empty()
            && self.modbus.is_empty()
            && self.lcc.is_empty()
    }

    /// Every broker, `[links.mqtt]` first.
    pub fn brokers(&self) -> impl Iterator<Item = &MqttSettings> {
        self.mqtt.iter().chain(&self.mqtt_also)
    }

    /// `averaging` of what supplies a channel, where the layout file says it; where several could, the longest.
    #[must_use]
    pub fn averaging(&self, channel: &str) -> Option<Micros> {
        let rules = self.brokers().flat_map(|broker| &broker.map);
        let mapped = rules.filter(|rule| rule.may_supply(channel)).map(|rule| rule.averaging);
        let read = self.registers(channel).map(|(_, point)| point.averaging);
        mapped.chain(read).flatten().max()
    }

    /// Time between the readings of a channel, where the layout file says it: of the Modbus unit that it is read from.
    #[must_use]
    pub fn period(&self, channel: &str) -> Option<Micros> {
        self.registers(channel).map(|(unit, _)| unit.poll).min()
    }

    fn registers<'s>(
        &'s self,
        channel: &'s str,
    ) -> impl Iterator<Item = (&'s ModbusUnit, &'s ModbusPoint)> {
        let units = self.modbus.iter().flat_map(|line| &line.units);
        let points = units.flat_map(|unit| unit.points.iter().map(move |point| (unit, point)));
        points.filter(move |(_, point)| point.channel == channel && !point.alternative)
    }

    /// `proof` of the foreign output that takes the orders for a channel.
    #[must_use]
    pub fn proof(&self, channel: &str) -> Option<&OutProof> {
        let mut outputs = self.brokers().flat_map(|broker| &broker.out);
        outputs.find(|it| it.channel == channel && it.proof.is_some())?.proof.as_ref()
    }

    /// A `proof` names this channel: its readings may prove a cut although nobody knows their order or age.
    #[must_use]
    pub fn is_proof(&self, channel: &str) -> bool {
        let outputs = self.brokers().flat_map(|broker| &broker.out);
        let mut proofs = outputs.filter_map(|it| it.proof.as_ref());
        proofs.any(|proof| proof.channel == channel)
    }

    /// `stale-after` of the rule that supplies a channel from a foreign topic; where several could, the shortest.
    #[must_use]
    pub fn mapped_stale_after(&self, channel: &str) -> Option<Micros> {
        let rules = self.brokers().flat_map(|broker| &broker.map);
        rules.filter(|rule| rule.may_supply(channel)).filter_map(|rule| rule.stale_after).min()
    }
}

impl Default for DashboardSettings {
    fn default() -> Self {
        Self {
            listen: "127.0.0.1:8080".to_owned(),
            hosts: Vec::new(),
            read_token_file: None,
            operator_token_file: None,
        }
    }
}
