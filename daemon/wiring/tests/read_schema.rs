//! The schema and the key reference in `config/` are those of this reader. `UPDATE_GOLDEN=1` rewrites them.

use std::path::Path;

use wiring::schema::{json_schema, key_reference};

const CONFIG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config");

fn check(name: &str, wanted: &str) {
    let path = Path::new(CONFIG).join(name);
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(&path, wanted).expect("config can be written");
    }
    let found = std::fs::read(&path).unwrap_or_default();
    let is_current = String::from_utf8_lossy(&found).replace("\r\n", "\n") == wanted;
    assert!(is_current, "config/{name} is not current: run this test with UPDATE_GOLDEN=1");
}

#[test]
fn the_schema_in_config_is_current() {
    check("checkrail.schema.json", &json_schema());
}

#[test]
fn the_key_reference_in_config_is_current() {
    check("KEYS.md", &key_reference());
}

#[test]
fn the_schema_names_every_table_and_forbids_unknown_keys() {
    let schema = json_schema();
    for table in ["booster.ID", "trackwork.ID.frog", "links.mqtt.map", "machine.ID.protection"] {
        assert!(schema.contains(&format!("\"{table}\": {{")), "{table}");
    }
    let open = schema.matches("\"additionalProperties\": true").count();
    assert_eq!(open, 0, "no table is open");
}
