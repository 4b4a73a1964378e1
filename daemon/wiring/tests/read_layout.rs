//! What a layout file means: defaults, names, ties, feeders, machines, and settings.

use wiring::{
    layout::{BreakerKind, Control, Layout, Side, Supply, Tie, Which},
    links::{BrokerAddress, Deadman, Extract, LccObject, MqttVersion},
    protection::{LowVoltage, Origin},
    read,
    trackwork::{Kind, Leg, Port},
    units::{Gauge, Microamps, Micros},
};

/// The least that a layout needs around what is tried.
const AROUND: &str = r#"
[booster.main]
volts = "15 V"
limit = "5 A"
[district.quarry]
booster = "main"
[district.valley]
booster = "main"
[block.q1]
district = "quarry"
left = "B"
"#;

fn layout(text: &str) -> Layout {
    let result = read(&format!("{AROUND}{text}"));
    let told: Vec<String> = result.errors.iter().map(wiring::FileError::message).collect();
    assert!(told.is_empty(), "{text}: {told:?}");
    result.layout.expect("no errors")
}

fn codes(text: &str) -> Vec<&'static str> {
    read(&format!("{AROUND}{text}")).errors.iter().map(wiring::FileError::code).collect()
}

fn machine(layout: &Layout, index: wiring::index::MachineIx) -> String {
    layout.machines[index.at()].id.clone()
}

/// What a piece of trackwork in block q1 is, in words.
fn kind(keys: &str) -> String {
    let layout = layout(&format!("[trackwork.X]\nblock = \"q1\"\n{keys}"));
    let name = |index: &wiring::index::MachineIx| machine(&layout, *index);
    let states = |states: &[(wiring::index::MachineIx, wiring::layout::Position)]| {
        let all = states.iter().map(|(at, position)| format!("{}={}", name(at), position.word()));
        all.collect::<Vec<_>>().join("+")
    };
    match &layout.trackwork[0].kind {
        Kind::Turnout { machine, normal } => format!("{} {normal:?}", name(machine)),
        Kind::ThreeWay { left, right } => format!("{} {}", name(left), name(right)),
        Kind::Crossing { a_left, a_right } => format!("{} | {}", states(a_left), states(a_right)),
        Kind::DoubleSlip { a, a_normal, b, b_normal } => {
            format!("{} {a_normal:?} {} {b_normal:?}", name(a), name(b))
        }
        Kind::SingleSlip { a, b, slip } => format!("{} {} {slip:?}", name(a), name(b)),
    }
}

#[test]
fn positions_mean_routes_as_the_contract_has_it() {
    let cases = [
        ("kind = \"turnout\"", "X Left"),
        ("kind = \"turnout\"\nhand = \"right\"", "X Left"),
        ("kind = \"turnout\"\nhand = \"left\"", "X Right"),
        ("kind = \"turnout\"\nhand = \"left\"\nnormal = \"left\"", "X Left"),
        ("kind = \"turnout\"\nhand = \"wye\"\nnormal = \"right\"\nmachine = \"M\"", "M Right"),
        ("kind = \"three-way\"", "X-left X-right"),
        ("kind = \"three-way\"\nmachines = { right = \"R\" }", "X-left R"),
        ("kind = \"double-slip\"", "X-a BLeft X-b ALeft"),
        ("kind = \"double-slip\"\nnormal = { a = \"b-right\" }", "X-a BRight X-b ALeft"),
        ("kind = \"double-slip\"\nmachines = { a = \"M\", b = \"N\" }", "M BLeft N ALeft"),
        ("kind = \"single-slip\"\nslip = \"a-right\"", "X-a X-b ARight"),
        ("kind = \"crossing\"", " | "),
        ("kind = \"crossing\"\nmachine = \"M\"", "M=normal | M=reverse"),
        ("kind = \"crossing\"\nmachine = \"M\"\nnormal = \"a-right\"", "M=reverse | M=normal"),
        (
            "kind = \"crossing\"\nroutes = { a-left = { M = \"reverse\", N = \"normal\" } }",
            "M=reverse+N=normal | ",
        ),
    ];
    for (keys, want) in cases {
        assert_eq!(kind(keys), want, "{keys}");
    }
}

/// The normal tie of a frog of the given kind.
fn tie(kind: &str, written: &str) -> Option<Tie> {
    let (table, machine) = match kind {
        "turnout" => ("frog", "X"),
        "three-way" => ("frogs.middle", "X-left"),
        _ => ("frogs.a", "X-b"),
    };
    let text = format!(
        "{AROUND}[trackwork.X]\nblock = \"q1\"\nkind = \"{kind}\"\n[trackwork.X.{table}]\n\
         poles = [\"{machine}.1\"]\nnormal = \"{written}\"\nreverse = \"none\"\n"
    );
    let layout = read(&text).layout.expect("readable");
    layout.frogs.iter().find(|frog| !frog.poles.is_empty()).map(|frog| frog.normal)
}

#[test]
fn a_tie_is_read_in_all_its_forms() {
    use wiring::{index::DistrictIx, layout::Conductor};
    let cases = [
        ("turnout", "left", Some(Tie::Stock(Side::Left))),
        ("three-way", "right", Some(Tie::Stock(Side::Right))),
        ("double-slip", "left", None),
        ("turnout", "A", Some(Tie::Bus(Conductor::A))),
        ("turnout", "none", Some(Tie::None)),
        ("turnout", "points.left", Some(Tie::PortRail(Port::Points, Side::Left))),
        ("double-slip", "a-left.right", Some(Tie::PortRail(Port::ALeft, Side::Right))),
        ("crossing", "b-right.left", None),
        ("turnout", "quarry/B", Some(Tie::Bus(Conductor::B))),
        ("turnout", "valley/B", Some(Tie::ForeignBus(DistrictIx(1), Conductor::B))),
        ("turnout", "valley/C", None),
        ("turnout", "centre.left", None),
    ];
    for (kind, written, want) in cases {
        assert_eq!(tie(kind, written), want, "{kind} {written}");
    }
}

#[test]
fn the_obtuse_frogs_of_slips_and_crossings_are_fixed_to_the_outer_rails() {
    for kind in ["crossing", "double-slip", "single-slip\"\nslip = \"a-left"] {
        let layout = layout(&format!("[trackwork.X]\nblock = \"q1\"\nkind = \"{kind}\"\n"));
        let fixed: Vec<_> = layout.frogs.iter().map(|it| (it.id.as_str(), it.fixed)).collect();
        let outer = |port, side| Some(Tie::PortRail(port, side));
        let want = [
            ("X.a", None),
            ("X.b", None),
            ("X.k-left", outer(Port::ALeft, Side::Left)),
            ("X.k-right", outer(Port::ARight, Side::Right)),
        ];
        assert_eq!(fixed, want, "{kind}");
    }
}

#[test]
fn a_frog_without_a_table_is_there_and_dead() {
    let layout = layout("[trackwork.T1]\nkind = \"turnout\"\nblock = \"q1\"\n");
    let frog = &layout.frogs[0];
    assert_eq!((frog.id.as_str(), frog.poles.len(), frog.normal), ("T1", 0, Tie::None));
    assert_eq!(layout.machines[0].id, "T1");
}

#[test]
fn tracks_are_fed_where_they_say_so() {
    let cases = [
        ("left = \"A\"", vec![Which::From], Some("A")),
        ("", vec![], None),
        ("left = \"A\"\nfeeders = []", vec![], Some("A")),
        ("left = \"A\"\nfeeders = [\"from\", \"to\"]", vec![Which::From, Which::To], Some("A")),
        // Fed without saying from what: from its block's left.
        ("feeders = [\"to\"]", vec![Which::To], Some("B")),
    ];
    for (keys, feeders, left) in cases {
        let layout = layout(&format!("[track.t]\n{keys}\n"));
        let track = &layout.tracks[0];
        assert_eq!(track.feeders, feeders, "{keys}");
        assert_eq!(track.left.map(wiring::layout::Conductor::word), left, "{keys}");
    }
}

#[test]
fn gaps_are_read_in_both_notations() {
    let cases = [
        ("[\"to\"]", vec!["To Left", "To Right"]),
        ("[\"from\", \"to\"]", vec!["From Left", "From Right", "To Left", "To Right"]),
        ("[{ end = \"to\", rail = \"left\" }]", vec!["To Left"]),
        ("[{ end = \"from\" }, \"from\"]", vec!["From Left", "From Right"]),
        ("[]", vec![]),
    ];
    for (written, want) in cases {
        let layout = layout(&format!("[track.t]\ngaps = {written}\n"));
        let gaps = layout.tracks[0].gaps.iter().map(|gap| format!("{:?} {:?}", gap.end, gap.rail));
        assert_eq!(gaps.collect::<Vec<_>>(), want, "{written}");
    }
}

#[test]
fn ends_meet_at_ports_and_at_names_of_ones_own() {
    let layout = layout(
        "[trackwork.T1]\nkind = \"turnout\"\nblock = \"q1\"\n\
         [track.a]\nfrom = \"T1.left\"\nto = \"joint\"\n[track.b]\nfrom = \"joint\"\n",
    );
    let at_left = layout.trackwork[0].at_port.iter().find(|(port, _)| *port == Port::Left);
    assert_eq!(at_left.map(|(_, track)| track.is_some()), Some(true));
    let joints: Vec<_> = layout.joints.iter().map(|it| (it.name.as_str(), it.ends.len())).collect();
    assert_eq!(joints, [("joint", 2), ("b.to", 1)]);
}

#[test]
fn more_than_two_tracks_meet_only_around_the_bridge_of_a_turntable() {
    let star = "[track.a]\nfrom = \"x\"\n[track.b]\nfrom = \"x\"\n[track.c]\nfrom = \"x\"\n";
    assert_eq!(codes(star), ["end-taken"]);
    let table = format!("{star}[track.bridge]\nfrom = \"x\"\nto = \"x\"\n");
    assert_eq!(codes(&table), Vec::<&str>::new());
}

#[test]
fn a_machine_exists_by_its_table_or_by_being_named() {
    let frog = |pole: &str| {
        format!(
            "[trackwork.T1]\nkind = \"turnout\"\nblock = \"q1\"\nmachine = \"M1\"\n\
             [trackwork.T1.frog]\npoles = [\"{pole}\"]\nnormal = \"right\"\nreverse = \"left\"\n\
             [machine.spare]\npoles = 1\n"
        )
    };
    let cases = [
        ("M1.1", None),
        ("M1.2", None),
        ("spare.1", None),
        ("M1.3", Some("pole-missing")),
        ("spare.2", Some("pole-missing")),
        // T1 has a machine of another id, so that no machine T1 exists.
        ("T1.1", Some("machine-unknown")),
        ("M1", Some("pole-unknown")),
        ("M1.0", Some("pole-unknown")),
        ("M1.01", Some("pole-unknown")),
        ("M1.99999999999", Some("pole-unknown")),
        ("M1.-1", Some("pole-unknown")),
    ];
    for (pole, want) in cases {
        assert_eq!(codes(&frog(pole)), want.into_iter().collect::<Vec<_>>(), "{pole}");
    }
    let layout = layout(&frog("M1.1"));
    let ids: Vec<_> = layout.machines.iter().map(|it| it.id.as_str()).collect();
    assert_eq!(ids, ["spare", "M1"], "those with a table come first");
}

#[test]
fn a_machine_takes_its_own_values_then_those_of_defaults_then_the_built_in_ones() {
    let layout = layout(
        "[defaults.machine]\npoles = 3\ncontact-rating = \"2 A\"\n[machine.M]\npoles = 1\n\
         supply = \"district/valley\"\n[trackwork.T1]\nkind = \"turnout\"\nblock = \"q1\"\n",
    );
    let poles: Vec<usize> = layout.machines.iter().map(|it| it.poles.len()).collect();
    assert_eq!(poles, [1, 3]);
    assert_eq!(layout.machines[0].contact_rating, Microamps(2_000_000));
    assert_eq!(layout.machines[0].throw_time, Micros(2_500_000));
    assert!(matches!(layout.machines[0].supply, Supply::District(district) if district.at() == 1));
    assert!(layout.machines.iter().all(|it| it.time_constant_assumed));
    let assumed = |key: &str| {
        let of = layout.assumed.iter().filter(|it| it.key == key);
        of.map(|it| it.subject.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(assumed("poles"), Vec::<&str>::new());
    assert_eq!(assumed("throw-time"), ["machine/M", "machine/T1"]);
    assert_eq!(assumed("supply"), ["machine/T1"]);
}

#[test]
fn a_time_constant_counts_as_measured_where_the_file_states_it() {
    let stated = "contact-time-constant = \"3 s\"\n";
    let cases = [
        (format!("[machine.M]\n{stated}"), false),
        (format!("[machine.M]\n[defaults.machine]\n{stated}"), false),
        ("[machine.M]\nthrow-time = \"1 s\"\n".to_owned(), true),
    ];
    for (text, is_assumed) in cases {
        assert_eq!(layout(&text).machines[0].time_constant_assumed, is_assumed, "{text}");
    }
}

#[test]
fn other_words_of_the_trade_lead_to_the_right_table() {
    let cases = [("[turnout.T1]", "trackwork"), ("[section.s]", "block"), ("[colors]", "colours")];
    for (header, want) in cases {
        let result = read(&format!("{AROUND}{header}\n"));
        assert_eq!(result.errors[0].remedy(), format!("write `{want}`"), "{header}");
    }
}

#[test]
fn what_the_file_does_not_say_is_listed_as_assumed() {
    let layout = layout("");
    let told: Vec<String> = layout
        .assumed
        .iter()
        .map(|it| format!("{} {} = {}", it.subject, it.key, it.value))
        .collect();
    for want in [
        "layout schema = 1",
        "layout control = dcc",
        "booster/main trip-delay = 150 ms",
        "booster/main cut = false",
        "district/quarry breaker = none",
        "district/quarry bus.gauge = 14 AWG",
        "district/quarry cut = false",
        "district/quarry opens-in = 15 ms",
        "block/q1 feeder.pairs = 1",
    ] {
        assert!(told.iter().any(|it| it == want), "{want} of {told:#?}");
    }
    assert!(!told.iter().any(|it| it.starts_with("block/q1 left")), "the file states it");
    let district = &layout.districts[0];
    assert_eq!((district.breaker.kind, district.bus.gauge), (BreakerKind::None, Gauge::Awg(14)));
    assert_eq!(layout.control, Control::Dcc);
}

#[test]
fn the_nearest_setting_of_protection_wins() {
    let layout = layout(
        "[trackwork.T1]\nkind = \"turnout\"\nblock = \"q1\"\n[trackwork.T1.frog]\n\
         poles = [\"T1.1\"]\nnormal = \"right\"\nreverse = \"left\"\n[machine.far]\n\
         [protection]\nshort-after = \"30 ms\"\nlow-voltage = \"11.5 V\"\ncontact-warning = 0.7\n\
         restore-after = [\"1 s\", \"4 s\"]\n[district.quarry.protection]\nshort-after = \"10ms\"\n\
         [block.q1.protection]\nclear-below = \"1 mA\"\nlow-voltage = \"70 %\"\n\
         [machine.T1.protection]\npair-factor = 1.5\n",
    );
    let it = &layout.protection;
    let after = |millis: u64| Micros(millis * 1000);
    assert_eq!(it.layout.short_after, after(30));
    assert_eq!(it.districts[0].short_after, after(10));
    assert_eq!(it.districts[1].short_after, after(30));
    assert_eq!(it.blocks[0].short_after, after(10), "a block inherits from its district");
    let (district, block) = (it.districts[0].low_voltage, it.blocks[0].low_voltage);
    assert_eq!(district, LowVoltage::Absolute(wiring::units::Millivolts(11_500)));
    assert_eq!(block, LowVoltage::OfBooster(700));
    assert_eq!((it.layout.contact_warning, it.blocks[0].clear_below), (700, Microamps(1000)));
    assert_eq!(it.layout.restore_after, [after(1000), after(4000), after(4000)]);
    let machine = |id: &str| layout.machines.iter().position(|it| it.id == id).expect("there");
    let (fed, far) = (&it.machines[machine("T1")], &it.machines[machine("far")]);
    assert_eq!((fed.pair_factor, fed.short_after), (1500, after(10)), "by its frog's district");
    assert_eq!((far.pair_factor, far.short_after), (1800, after(30)));
    let of = |subject: &str, key: &str| {
        let found = it.in_force.iter().find(|it| it.subject == subject && it.key == key);
        found.map(|it| (it.value.as_str(), it.origin))
    };
    assert_eq!(of("layout", "short-after"), Some(("30 ms", Origin::Layout)));
    assert_eq!(of("layout", "short-step"), Some(("1.5 A", Origin::Default)));
    assert_eq!(of("district/quarry", "short-after"), Some(("10ms", Origin::District)));
    assert_eq!(of("block/q1", "low-voltage"), Some(("70 %", Origin::Block)));
    assert_eq!(of("machine/T1", "pair-factor"), Some(("1.5", Origin::Machine)));
}

/// The defaults that the grammar prints are those that the settings have.
#[test]
fn protection_defaults_are_what_the_key_list_says() {
    let stated: String = wiring::grammar::PROTECTION_KEYS
        .iter()
        .filter_map(|key| match key.need {
            wiring::grammar::Need::Default(text) => Some((key.name, text)),
            _ => None,
        })
        .map(|(name, text)| {
            let is_bare = text.starts_with('[') || text.parse::<f64>().is_ok();
            if is_bare { format!("{name} = {text}\n") } else { format!("{name} = \"{text}\"\n") }
        })
        .collect();
    let (stated, silent) = (layout(&format!("[protection]\n{stated}")), layout(""));
    assert_eq!(stated.protection.layout, silent.protection.layout);
}

#[test]
fn links_are_read_with_their_maps() {
    let layout = layout(
        "[links.mqtt]\nbroker = \"mqtts://rail.example\"\nuser = \"checkrail\"\nca-file = \"/ca.pem\"\n\
         [[links.mqtt.map]]\ntopic = \"sensors/+\"\nchannel = \"block/{1}/current\"\n\
         pointer = \"/ma\"\nscale = 0.001\nrange = [0, 10]\nstale-after = \"500ms\"\n\
         [[links.mqtt.map]]\ntopic = \"csv\"\nchannel = \"block/q1/occupied\"\nbetween = [\"I=\", \"A\"]\n\
         values = { \"0\" = \"no\" }\nother = \"yes\"\n\
         [[links.mqtt.out]]\nchannel = \"district/quarry/power\"\ntopic = \"relay\"\noff = \"0\"\n\
         on = \"1\"\ndeadman = \"external\"\n\
         [links.mqtt.also.club]\nbroker = \"mqtt://club.example\"\nversion = \"5\"\nroot = \"valley\"\n\
         [links.serial.yard]\ndevice = \"/dev/ttyUSB0\"\n\
         [links.modbus.meters]\ndevice = \"/dev/ttyUSB1\"\nparity = \"none\"\n\
         [[links.modbus.meters.unit]]\naddress = 3\npoints = [{ channel = \"block/q1/current\", fn = 4, addr = 0 }]\n\
         [links.lcc.bus]\ntcp = \"10.0.0.5:12021\"\nnode-id = \"03.00.12.34.56.01\"\n\
         [history]\njournal = \"/var/lib/checkrail/journal\"\n\
         [dashboard]\nhosts = [\"Layout.LAN\", \"signal_box\"]\n",
    );
    let links = &layout.links;
    let mqtt = links.mqtt.as_ref().expect("given");
    let host = "rail.example".to_owned();
    assert_eq!(mqtt.broker, BrokerAddress::External { host, port: 8883, tls: true });
    assert_eq!((mqtt.root.as_str(), mqtt.client_id.as_str()), ("checkrail", "checkrail"));
    assert_eq!(mqtt.map[0].extract, Extract::Pointer("/ma".to_owned()));
    assert_eq!((mqtt.map[0].scale, mqtt.map[0].range), (0.001, Some((0.0, 10.0))));
    assert_eq!(mqtt.map[0].stale_after, Some(Micros(500_000)));
    assert_eq!(mqtt.map[1].extract, Extract::Between("I=".to_owned(), "A".to_owned()));
    assert_eq!(mqtt.out[0].deadman, Deadman::External);
    assert_eq!((mqtt.name.as_str(), mqtt.version), ("mqtt", MqttVersion::V3));
    let [club] = links.mqtt_also.as_slice() else { panic!("one more broker") };
    assert_eq!(
        (club.name.as_str(), club.version, &*club.root),
        ("club", MqttVersion::V5, "valley")
    );
    assert_eq!((links.serial[0].baud, links.modbus[0].baud), (115_200, 19_200));
    assert_eq!(links.modbus[0].parity, 'N');
    assert_eq!(links.modbus[0].units[0].points[0].channel, "block/q1/current");
    assert_eq!(links.lcc[0].node_id, [3, 0, 0x12, 0x34, 0x56, 1]);
    assert!(links.lcc[0].tcp && !links.modbus[0].tcp);
    assert_eq!(links.history.journal.as_deref(), Some("/var/lib/checkrail/journal"));
    assert_eq!(links.dashboard.listen, "127.0.0.1:8080");
    assert_eq!(links.dashboard.hosts, ["layout.lan", "signal_box"]);
}

/// The table of an LCC adapter with these lines added.
fn lcc(more: &str) -> String {
    format!(
        "[machine.T1]\n[links.lcc.club]\ntcp = \"10.0.0.5:12021\"\nnode-id = \"03.00.12.34.56.01\"\n{more}"
    )
}

#[test]
fn an_lcc_adapter_has_events_of_its_own_and_of_others() {
    let layout = layout(&lcc(
        "own = { \"machine/T1\" = 14, \"block/q1\" = 7, \"district/quarry\" = 3, \"node/yard\" = 1 }\n\
         [[links.lcc.club.in]]\nevent = \"05.01.01.01.22.00.00.10\"\n\
         channel = \"machine/T1/position\"\nvalue = \"reverse\"\n\
         [[links.lcc.club.in]]\nevent = \"05.01.01.01.22.00.00.11\"\n\
         channel = \"district/quarry/power\"\nvalue = \"cut\"\n\
         [[links.lcc.club.out]]\nchannel = \"machine/T1/throw\"\n\
         normal = \"05.01.01.01.22.00.00.20\"\nreverse = \"05.01.01.01.22.00.00.21\"\n",
    ));
    let club = &layout.links.lcc[0];
    assert_eq!((club.baud, club.own.len()), (115_200, 4));
    assert!(club.own.contains(&(LccObject::Node("yard".to_owned()), 1)));
    assert_eq!(club.events_in[0].event, [5, 1, 1, 1, 0x22, 0, 0, 0x10]);
    assert_eq!(club.events_in[1].value, "cut");
    assert_eq!(club.events_out[0].on[7], 0x21);
}

#[test]
fn an_lcc_table_is_checked_to_the_last_event() {
    let row = |event: &str, channel: &str, value: &str| {
        format!(
            "[[links.lcc.club.in]]\nevent = \"{event}\"\nchannel = \"{channel}\"\nvalue = \"{value}\"\n"
        )
    };
    let (good, position) = ("05.01.01.01.22.00.00.10", "machine/T1/position");
    let cases = [
        ("own = { \"machine/T1\" = 512 }\n".to_owned(), "value-wrong"),
        ("own = { \"machine/T9\" = 1 }\n".to_owned(), "value-wrong"),
        ("own = { \"booster/main\" = 1 }\n".to_owned(), "value-wrong"),
        ("own = { \"node/a\" = 1, \"node/b\" = 1 }\n".to_owned(), "value-wrong"),
        (row("05.01", position, "normal"), "value-wrong"),
        (row(good, "machine/T9/position", "normal"), "channel-unknown"),
        (row(good, position, "left"), "value-wrong"),
        (row(good, "district/quarry/feedback", "off"), "value-wrong"),
        (row(good, "district/quarry/current", "1"), "value-wrong"),
        (row(good, "district/quarry/power", "on"), "value-wrong"),
        (row(good, position, "normal") + &row(good, position, "reverse"), "value-wrong"),
        (
            "[[links.lcc.club.out]]\nchannel = \"district/quarry/power\"\n".to_owned(),
            "key-missing key-missing",
        ),
        ("[[links.lcc.club.out]]\nchannel = \"block/q1/occupied\"\n".to_owned(), "value-wrong"),
        ("events = 1\n".to_owned(), "key-unknown"),
    ];
    for (more, want) in cases {
        assert_eq!(codes(&lcc(&more)).join(" "), want, "{more}");
    }
}

#[test]
fn a_districts_only_means_to_cut_falls_by_itself() {
    let lcc_out = lcc("[[links.lcc.club.out]]\nchannel = \"district/harbour/power\"\n\
         off = \"05.01.01.01.22.00.00.20\"\non = \"05.01.01.01.22.00.00.21\"\n");
    let relay = |deadman: &str| {
        format!(
            "[links.mqtt]\nbroker = \"mqtt://host\"\n[[links.mqtt.out]]\n\
             channel = \"district/harbour/power\"\ntopic = \"relay\"\noff = \"0\"\non = \"1\"\n\
             deadman = \"{deadman}\"\n"
        )
    };
    let node = "[links.serial.yard]\ndevice = \"/dev/ttyUSB0\"\n".to_owned();
    let cases = [
        (lcc_out.clone(), true, "LCC alone"),
        (relay("none"), true, "a relay that keeps its state"),
        (relay("none") + &lcc_out, true, "two of them are no better than one"),
        (relay("external"), false, "a time relay in series"),
        (relay("node") + &lcc_out, false, "LCC beside a relay with a watchdog"),
        (node + &lcc_out, false, "a node with permits may have it too"),
        (String::new(), false, "nothing is written: nodes announce their outputs"),
    ];
    for (links, want, why) in cases {
        let layout =
            layout(&format!("[district.harbour]\nbooster = \"main\"\ncut = true\n{links}"));
        let findings = wiring::check::check(&layout).findings;
        let found = findings.iter().any(|it| it.code.code() == "cut-unguarded");
        assert_eq!(found, want, "{why}");
    }
}

#[test]
fn addresses_of_brokers_are_told_from_what_is_none() {
    let cases = [
        ("mqtt://host", true),
        ("mqtt://host:1884", true),
        ("mqtt://[::1]:1883", true),
        ("mqtt://host:1884/", true),
        ("host:1883", false),
        ("http://host", false),
        ("mqtt://", false),
        ("mqtt://host:99999", false),
        ("mqtt://ho st", false),
    ];
    for (address, is_good) in cases {
        let codes = codes(&format!("[links.mqtt]\nbroker = \"{address}\"\n"));
        assert_eq!(codes.is_empty(), is_good, "{address}: {codes:?}");
    }
}

#[test]
fn an_id_of_any_other_form_is_refused_where_it_is_given() {
    let long = "x".repeat(33);
    let cases = [
        ("q-1_A".to_owned(), true),
        ("x".repeat(32), true),
        (long, false),
        ("ä".to_owned(), false),
        ("a b".to_owned(), false),
        ("a.b".to_owned(), false),
        (String::new(), false),
    ];
    for (id, is_good) in cases {
        let codes = codes(&format!("[block.\"{id}\"]\ndistrict = \"quarry\"\n"));
        let want: &[&str] = if is_good { &[] } else { &["id-bad"] };
        assert_eq!(codes, want, "{id}");
    }
}

#[test]
fn legs_are_named_as_seen_from_the_points() {
    let layout = layout("[trackwork.T1]\nkind = \"turnout\"\nhand = \"left\"\nblock = \"q1\"\n");
    assert!(matches!(layout.trackwork[0].kind, Kind::Turnout { normal: Leg::Right, .. }));
}
