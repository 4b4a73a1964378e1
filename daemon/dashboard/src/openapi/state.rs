//! The rows of the state, described field by field. A row has no field but these: one that is served and not described,
//! or the other way round, fails `dashboard/tests/described.rs` and `tests/peers/openapi.sh`.

use serde_json::{Map, Value, json};

/// What a field holds.
#[derive(Clone, Copy)]
enum Holds {
    Text,
    /// A text, or null.
    PerhapsText,
    Whole,
    /// A whole number, or null.
    PerhapsWhole,
    Truth,
    Texts,
    Wholes,
    /// A row of that name.
    One(&'static str),
    /// A row of that name, or null.
    Perhaps(&'static str),
    /// Rows of that name.
    Rows(&'static str),
    /// Pairs of words.
    Pairs,
}

use Holds::{
    One, Pairs, Perhaps, PerhapsText, PerhapsWhole, Rows, Text, Texts, Truth, Whole, Wholes,
};

/// Name, content, meaning with its unit.
type Field = (&'static str, Holds, &'static str);

const STATE: [Field; 20] = [
    ("v", Whole, "version of this form"),
    ("epoch", Text, "changes when Checkrail starts anew"),
    ("q", Whole, "counts the states of an epoch; `EPOCH.Q` names one"),
    ("t", Whole, "when the state was taken; ms since 1970-01-01 UTC"),
    ("age", Whole, "how old it is; ms"),
    ("cfg", Whole, "changes when the rows stand for other things"),
    ("version", Text, "of Checkrail"),
    ("demo", Truth, "a simulated layout"),
    ("layout", One("Layout"), "what it is"),
    ("boosters", Rows("Booster"), "in the order of the layout file"),
    ("districts", Rows("District"), "in the order of the layout file"),
    ("blocks", Rows("Block"), "in the order of the layout file"),
    ("turnouts", Rows("Turnout"), "every frog that contacts feed"),
    ("alarms", Rows("AlarmRow"), "those that are not normal"),
    ("nodes", Rows("Node"), "nodes that announced themselves"),
    ("links", Rows("Link"), "brokers and devices"),
    ("sessions", Rows("CommissionRow"), "machines in commissioning"),
    ("recent", Whole, "alarms raised in the last ten minutes"),
    ("silent", Whole, "until then no screen sounds, 0: they sound; ms since 1970-01-01 UTC"),
    ("history_ok", Truth, "the history can be written"),
];

const LAYOUT: [Field; 2] =
    [("name", Text, "as in the layout file"), ("control", Text, "`dcc` `dc`")];

/// Of boosters and districts alike.
const FEED: [Field; 13] = [
    ("power", Text, "`unknown` `on` `cutting` `cut` `cut-failed` `restoring`"),
    ("ma", PerhapsWhole, "last good current; mA"),
    ("ma_old", Truth, "it is too old to act upon"),
    ("mv", PerhapsWhole, "last good voltage; mV"),
    ("mv_old", Truth, "it is too old to act upon"),
    ("locked_out", Truth, "stays off until a person restores it"),
    ("cause", PerhapsText, "why it is off"),
    ("cause_text", PerhapsText, "the same in words"),
    ("fault", PerhapsWhole, "number of the fault that cut it"),
    ("held_by", Texts, "who holds it off"),
    ("tries", Whole, "restores tried since the cut"),
    ("protected", Truth, "a fresh current is watched, and something can cut"),
    ("residual_ma", Whole, "current below this counts as none; mA"),
];

const BOOSTER: [Field; 4] = [
    ("id", Text, "as in the layout file"),
    ("limit_ma", Whole, "its limit; mA"),
    ("volts_mv", Whole, "its output; mV"),
    ("can_cut", Truth, "it has an actuator"),
];

const DISTRICT: [Field; 6] = [
    ("id", Text, "as in the layout file"),
    ("booster", Whole, "position of its booster"),
    ("blocks", Wholes, "positions of its blocks"),
    ("breaker", Text, "`electronic` `fuse` `ptc` `lamp` `none`"),
    ("trip_ma", Whole, "what its breaker trips at, else its booster's limit; mA"),
    ("can_cut", Truth, "it has an actuator"),
];

const BLOCK: [Field; 6] = [
    ("id", Text, "as in the layout file"),
    ("district", Whole, "position of its district"),
    ("ma", PerhapsWhole, "last good current; mA"),
    ("ma_old", Truth, "it is too old to act upon"),
    ("occupied", Text, "`yes` `no` `unknown`"),
    ("held", Truth, "occupancy is held, not read"),
];

const TURNOUT: [Field; 23] = [
    ("id", Text, "the frog: `T1`, of a slip `S1.a`"),
    ("trackwork", Text, "the trackwork's id"),
    ("machine", Text, "the machine's id"),
    ("district", Whole, "position of its district"),
    ("block", Whole, "position of its block"),
    ("poles", Texts, "its contacts: `T1.1`"),
    ("rating_ma", Whole, "what one contact is rated for; mA"),
    ("assumed", Truth, "the contact's time constant is assumed, not measured"),
    ("position", PerhapsText, "`normal` `reverse` `moving` `unknown`; null: never seen"),
    ("old", Truth, "position or polarity is only the last known"),
    ("told", PerhapsWhole, "when the position was last told; ms since 1970-01-01 UTC"),
    ("asked", PerhapsText, "the position that was asked for"),
    ("expected", Text, "polarity by the wiring: `A` `B` `none` `unknown`"),
    ("measured", PerhapsText, "`A` `B` `dead`; null: not measured"),
    (
        "frog",
        Text,
        "`matches` `wrong` `no-power` `dead` `moving` `unknown` `wired-dead` `not-measured`",
    ),
    ("load", Whole, "current through the contact that carries most; percent of its rating"),
    ("ma", Whole, "the same; mA"),
    ("heat", Whole, "thermal image of the hottest contact; percent"),
    ("estimated", Truth, "load and heat are estimated"),
    ("hits", Whole, "fault currents that a contact has carried"),
    ("throws", Whole, "complete throws"),
    ("throw_ms", PerhapsWhole, "time of the last; ms"),
    ("proof", Perhaps("ProofRow"), "what commissioning proved of its machine"),
];

const PROOF: [Field; 3] = [
    ("state", Text, "`proved`, or `rewired` since"),
    ("at", Whole, "ms since 1970-01-01 UTC"),
    ("by", Text, "initials"),
];

const ALARM: [Field; 18] = [
    ("id", Text, "`KIND/SUBJECT`"),
    ("alarm", Text, "its kind"),
    ("subject", Text, "`frog/T14`"),
    (
        "state",
        Text,
        "`unacknowledged` `acknowledged` `returned-unacknowledged` `latched-unacknowledged` `latched-acknowledged` \
         `shelved` `out-of-service`",
    ),
    ("priority", Text, "`high` `medium` `low`"),
    ("raised", Whole, "ms since 1970-01-01 UTC"),
    ("cleared", PerhapsWhole, "when the condition ended; ms since 1970-01-01 UTC"),
    ("first_out", Truth, "the first of several in its district"),
    ("latched", Truth, "stays until it is acknowledged or reset"),
    ("under", PerhapsText, "id of the alarm that explains this one"),
    ("shelved_until", PerhapsWhole, "ms since 1970-01-01 UTC"),
    ("for_session", Truth, "the shelving ends with the session, at the latest then"),
    ("by", PerhapsText, "who acknowledged it, shelved it or took it out of service"),
    ("by_at", PerhapsWhole, "when; ms since 1970-01-01 UTC"),
    ("district", PerhapsWhole, "position of the district it concerns"),
    ("turnout", PerhapsWhole, "position of the turnout it concerns"),
    ("text", Text, "what was seen"),
    ("action", Text, "what follows from it, and what to do"),
];

const NODE: [Field; 3] = [
    ("name", Text, "as it calls itself"),
    ("up", Truth, "it is heard"),
    ("silent", Whole, "time since its last sign of life, 0 below two seconds; s"),
];

const LINK: [Field; 5] = [
    ("name", Text, "`mqtt`, `serial/NAME`, `modbus/NAME`, `lcc/NAME`"),
    ("up", Truth, "it is connected"),
    ("text", Text, "its address, or what is wrong"),
    ("unusable", Whole, "messages that could not be used since the start"),
    ("last_unusable", Perhaps("Unusable"), "the newest of them"),
];

const UNUSABLE: [Field; 2] = [
    ("at", Whole, "ms since 1970-01-01 UTC"),
    ("text", Text, "where it came from, and why it could not be used"),
];

const COMMISSION: [Field; 12] = [
    ("machine", Text, "the machine's id"),
    ("who", Text, "who commissions it"),
    ("since", Whole, "ms since 1970-01-01 UTC"),
    ("step", Text, "the step's word"),
    ("number", Whole, "of seven"),
    ("heading", Text, "what is to be done"),
    ("note", Text, "what to mind"),
    ("readings", Pairs, "what is read now, with its name"),
    ("mood", Text, "`open` `good` `bad`"),
    ("verdict", Text, "what the readings say"),
    ("offers", Rows("Offer"), "what can be asked for now"),
    ("results", Rows("StepResult"), "what came of the steps so far"),
];

const OFFER: [Field; 4] = [
    ("do", Text, "`do` of the request"),
    ("with", Text, "`with` of the request"),
    ("label", Text, "what a button says"),
    ("ask", Text, "what is asked before: `nothing` `sure` `reason` `meter` `place` `initials`"),
];

const RESULT: [Field; 4] = [
    ("step", Text, "the step's word"),
    ("outcome", Text, "what came of it"),
    ("detail", Text, "in words"),
    ("who", Text, "who did it"),
];

/// Alone.
const ALARMS: [Field; 2] = [
    ("alarms", Rows("AlarmRow"), "those that are not normal"),
    ("recent", Whole, "alarms raised in the last ten minutes"),
];

/// Alone.
const TURNOUTS: [Field; 1] = [("turnouts", Rows("Turnout"), "every frog that contacts feed")];

/// The schemas, by name.
pub(super) fn schemas() -> Map<String, Value> {
    let rows: [(&str, &[&[Field]]); 16] = [
        ("State", &[&STATE]),
        ("Layout", &[&LAYOUT]),
        ("Booster", &[&BOOSTER, &FEED]),
        ("District", &[&DISTRICT, &FEED]),
        ("Block", &[&BLOCK]),
        ("Turnout", &[&TURNOUT]),
        ("ProofRow", &[&PROOF]),
        ("AlarmRow", &[&ALARM]),
        ("Node", &[&NODE]),
        ("Link", &[&LINK]),
        ("Unusable", &[&UNUSABLE]),
        ("CommissionRow", &[&COMMISSION]),
        ("Offer", &[&OFFER]),
        ("StepResult", &[&RESULT]),
        ("Alarms", &[&ALARMS]),
        ("Turnouts", &[&TURNOUTS]),
    ];
    let mut all: Map<String, Value> =
        rows.into_iter().map(|(name, parts)| (name.to_owned(), row(parts))).collect();
    // Only where it is asked for.
    all["State"]["properties"]["hist"] = json!({ "type": "object", "required": ["z"], "additionalProperties": false,
        "properties": { "z": { "type": "array", "description": "by district: current each 100 ms of the last minute; mA",
            "items": { "type": "array", "items": holds(PerhapsWhole) } } } });
    all
}

fn row(parts: &[&[Field]]) -> Value {
    let fields = || parts.iter().copied().flatten();
    let properties: Map<String, Value> = fields()
        .map(|(name, of, about)| {
            let mut schema = holds(*of);
            schema["description"] = json!(about);
            ((*name).to_owned(), schema)
        })
        .collect();
    let required: Vec<&str> = fields().map(|(name, ..)| *name).collect();
    json!({ "type": "object", "required": required, "properties": properties, "additionalProperties": false })
}

fn holds(it: Holds) -> Value {
    let named = |name: &str| json!({ "$ref": format!("#/components/schemas/{name}") });
    let list = |of: Value| json!({ "type": "array", "items": of });
    match it {
        Text => json!({ "type": "string" }),
        PerhapsText => json!({ "type": ["string", "null"] }),
        Whole => json!({ "type": "integer" }),
        PerhapsWhole => json!({ "type": ["integer", "null"] }),
        Truth => json!({ "type": "boolean" }),
        Texts => list(json!({ "type": "string" })),
        Wholes => list(json!({ "type": "integer" })),
        One(name) => named(name),
        Perhaps(name) => json!({ "anyOf": [named(name), { "type": "null" }] }),
        Rows(name) => list(named(name)),
        Pairs => {
            let pair = json!({ "type": "array", "minItems": 2, "maxItems": 2, "items": { "type": "string" } });
            list(pair)
        }
    }
}
