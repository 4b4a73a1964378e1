//! What changed between two readings of a layout file: settings can be taken over while Checkrail runs, all else only
//! at its start.

use std::fmt::Debug;

use crate::layout::Layout;

/// What differs beside `[protection]` and its overrides, the layout's name, `[colours]`, and the names and tokens of
/// `[dashboard]`, each by the name of its table; empty: nothing.
#[must_use]
pub fn beyond_settings(old: &Layout, new: &Layout) -> Vec<String> {
    let mut found = Changes::default();
    found.whole("layout", &(old.control, old.ambient), &(new.control, new.ambient));
    found.list("booster", &old.boosters, &new.boosters, |it| &it.id);
    found.list("district", &old.districts, &new.districts, |it| &it.id);
    found.list("block", &old.blocks, &new.blocks, |it| &it.id);
    found.list("track", &old.tracks, &new.tracks, |it| &it.id);
    found.list("trackwork", &old.trackwork, &new.trackwork, |it| &it.id);
    found.list("machine", &old.machines, &new.machines, |it| &it.id);
    found.list("reverser", &old.reversers, &new.reversers, |it| &it.id);
    found.whole("joints", &old.joints, &new.joints);
    found.whole("frogs", &old.frogs, &new.frogs);
    found.whole("poles", &old.poles, &new.poles);
    let (before, after) = (&old.links, &new.links);
    found.whole("links.mqtt", &before.mqtt, &after.mqtt);
    found.whole("links.mqtt.also", &before.mqtt_also, &after.mqtt_also);
    found.whole("links.serial", &before.serial, &after.serial);
    found.whole("links.modbus", &before.modbus, &after.modbus);
    found.whole("links.lcc", &before.lcc, &after.lcc);
    found.whole("history", &before.history, &after.history);
    found.whole("dashboard.listen", &before.dashboard.listen, &after.dashboard.listen);
    found.names
}

#[derive(Default)]
struct Changes {
    names: Vec<String>,
}

impl Changes {
    fn whole<T: Debug>(&mut self, name: &str, old: &T, new: &T) {
        if text(old) != text(new) {
            self.names.push(name.to_owned());
        }
    }

    /// By id: what came, went, changed, or stands elsewhere in the file's order.
    fn list<T: Debug>(&mut self, kind: &str, old: &[T], new: &[T], id: fn(&T) -> &String) {
        let same_order = old.iter().map(id).eq(new.iter().map(id));
        let before = self.names.len();
        for it in old {
            let found = new.iter().find(|other| id(other) == id(it));
            if found.is_none_or(|other| text(it) != text(other)) {
                self.names.push(format!("{kind}.{}", id(it)));
            }
        }
        let came = new.iter().filter(|it| !old.iter().any(|other| id(other) == id(it)));
        self.names.extend(came.map(|it| format!("{kind}.{}", id(it))));
        if !same_order && self.names.len() == before {
            self.names.push(format!("the order of {kind} tables"));
        }
    }
}

/// A value with all its fields and without its place in the file: a field that is added later counts by itself.
fn text<T: Debug>(value: &T) -> String {
    let whole = format!("{value:?}");
    let mut parts = whole.split("Span {");
    let mut kept = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        kept.push_str(part.split_once('}').map_or("", |(_, rest)| rest));
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = include_str!("../../../tests/layouts/two-districts.toml");

    #[track_caller]
    fn check(changes: &[(&str, &str)], more: &str, want: &[&str]) {
        let mut text = TEXT.to_owned();
        for (old, new) in changes {
            assert!(text.contains(old), "{old}");
            text = text.replacen(old, new, 1);
        }
        let read = |text: &str| crate::read::read(text).layout.expect("a layout");
        assert_eq!(beyond_settings(&read(TEXT), &read(&format!("{text}{more}"))), want);
    }

    #[test]
    fn settings_may_change_and_so_may_places_in_the_file() {
        check(&[], "", &[]);
        check(&[], "\n[protection]\nshort-after = \"10 ms\"\n", &[]);
        check(&[], "\n[district.east.protection]\nrestore-tries = 2\n", &[]);
        check(&[("Fernhollow junction", "Another")], "\n[colours]\nA = \"red\"\n", &[]);
        check(&[], "\n[dashboard]\nhosts = [\"layout.example\"]\n", &[]);
        check(&[("schema = 1", "# a remark\n\nschema = 1")], "", &[]);
    }

    #[test]
    fn what_needs_a_start_is_named() {
        check(&[("\"5 A\"", "\"4 A\"")], "", &["booster.main"]);
        let renamed = [("[block.w1]", "[block.w9]"), ("block = \"w1\"", "block = \"w9\"")];
        check(&renamed, "", &["block.w1", "block.w9"]);
        check(&[], "\n[links.mqtt]\nbroker = \"mqtt://127.0.0.1:1883\"\n", &["links.mqtt"]);
        check(&[("\"22 C\"", "\"30 C\"")], "", &["layout"]);
        let also = "\n[links.mqtt]\nbroker = \"mqtt://127.0.0.1:1883\"\n[links.mqtt.also.north]\nbroker = \"mqtt://127.0.0.1:1884\"\n";
        check(&[], also, &["links.mqtt", "links.mqtt.also"]);
        check(&[], "\n[dashboard]\nlisten = \"127.0.0.1:8081\"\n", &["dashboard.listen"]);
    }
}
