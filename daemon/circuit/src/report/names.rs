//! Many names in little room.

/// The first `limit` names, and how many more there are.
pub(super) fn listed(all: &[&str], limit: usize) -> String {
    let shown = all.len().min(limit);
    let mut text = all[..shown].join(", ");
    if all.len() > shown {
        text.push_str(&format!(" and {} more", all.len() - shown));
    }
    text
}

/// Names joined, what they share with the one before said once: `port/T1.points .left .right`, `block/h1 h2`.
pub(super) fn joined<'a>(all: impl IntoIterator<Item = &'a str>) -> String {
    let mut text = String::new();
    let mut before = "";
    for name in all {
        if text.is_empty() {
            text.push_str(name);
        } else {
            text.push(' ');
            text.push_str(&name[shared(before, name)..]);
        }
        before = name;
    }
    text
}

/// Bytes that need not be said again: up to the dot that both share, or past the slash that both share.
fn shared(before: &str, name: &str) -> usize {
    let stem = |mark: char| match (before.find(mark), name.find(mark)) {
        (Some(a), Some(b)) if before[..=a] == name[..=b] => Some(b),
        (Some(_) | None, Some(_) | None) => None,
    };
    stem('.').or_else(|| stem('/').map(|slash| slash + 1)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::{joined, listed};

    #[test]
    fn what_names_share_is_said_once() {
        let cases: [(&[&str], &str); 5] = [
            (&["port/T1.points", "port/T1.left", "port/T2.left"], "port/T1.points .left T2.left"),
            (&["block/h1", "block/h2"], "block/h1 h2"),
            (&["block/h1", "end/mile-0"], "block/h1 end/mile-0"),
            (&["T1.1", "T1.2", "T2.1"], "T1.1 .2 T2.1"),
            (&[], ""),
        ];
        for (names, want) in cases {
            assert_eq!(joined(names.iter().copied()), want);
        }
    }

    #[test]
    fn a_long_list_says_how_many_it_leaves_out() {
        assert_eq!(listed(&["a", "b", "c"], 2), "a, b and 1 more");
        assert_eq!(listed(&["a", "b"], 2), "a, b");
    }
}
