//! What more than one broker may not have in common.

use std::collections::BTreeMap;

use wiring::links::{BrokerAddress, LinkSettings};

/// Mistakes that no broker's table shows alone.
pub(crate) fn check(settings: &LinkSettings) -> Result<(), Vec<String>> {
    let mut wrong = Vec::new();
    let mut clients: BTreeMap<(&str, u16, &str), &str> = BTreeMap::new();
    let mut mapped: BTreeMap<&str, (&str, &str)> = BTreeMap::new();
    for broker in settings.brokers() {
        if let BrokerAddress::External { host, port, .. } = &broker.broker
            && let Some(first) = clients.insert((&**host, *port, &broker.client_id), &broker.name)
        {
            // Each would throw the other out for ever (MQTT 3.1.1, section 3.1.4).
            wrong.push(format!(
                "`{first}` and `{}` are one broker: give one of them another `client-id`",
                broker.name
            ));
        }
        for rule in broker.map.iter().filter(|rule| !rule.channel.contains('{')) {
            let first = mapped.insert(&rule.channel, (&broker.name, &rule.topic));
            if let Some((name, topic)) = first.filter(|(name, _)| *name != broker.name) {
                wrong.push(format!(
                    "`{}` is mapped from both `{topic}` of `{name}` and `{}` of `{}`",
                    rule.channel, rule.topic, broker.name
                ));
            }
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong) }
}
