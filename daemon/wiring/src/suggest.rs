//! The nearest existing name to one that does not exist.

/// Longer names are not compared: no id or key is that long, and the table below grows with their product.
const LENGTH_MAX: usize = 64;

/// The candidate that is most likely meant by `name`, if one is near enough. Case does not count; of two equally near
/// ones the first wins.
pub fn nearest<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let wanted: Vec<char> = name.to_lowercase().chars().take(LENGTH_MAX + 1).collect();
    if wanted.is_empty() || LENGTH_MAX < wanted.len() {
        return None;
    }
    let mut best: Option<(usize, &'c str)> = None;
    for candidate in candidates {
        let other: Vec<char> = candidate.to_lowercase().chars().take(LENGTH_MAX + 1).collect();
        let distance = edits(&wanted, &other);
        let allowed = 1.max(wanted.len().max(other.len()) / 3);
        if distance <= allowed && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

/// Letters to add, drop, change or exchange with their neighbour (restricted Damerau-Levenshtein distance).
fn edits(from: &[char], to: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=to.len()).collect();
    for row in 1..=from.len() {
        let mut line = vec![row];
        for column in 1..=to.len() {
            let same = from[row - 1] == to[column - 1];
            let change = above[column - 1] + usize::from(!same);
            let mut least = change.min(above[column] + 1).min(line[column - 1] + 1);
            let crossed = 1 < row
                && 1 < column
                && from[row - 1] == to[column - 2]
                && from[row - 2] == to[column - 1];
            if crossed {
                least = least.min(before[column - 2] + 1);
            }
            line.push(least);
        }
        before = std::mem::replace(&mut above, line);
    }
    above[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_found_and_nonsense_finds_none() {
        let names = ["quarry", "harbour", "T1", "T12", "trip-delay"];
        let cases = [
            ("quarrry", Some("quarry")),
            ("Harbour", Some("harbour")),
            ("harbuor", Some("harbour")),
            ("t1", Some("T1")),
            ("trip_delay", Some("trip-delay")),
            ("zzz", None),
            ("", None),
        ];
        for (name, want) in cases {
            assert_eq!(nearest(name, names), want, "{name}");
        }
        assert_eq!(nearest(&"x".repeat(5000), names), None);
    }
}
