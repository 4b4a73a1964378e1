//! Outcomes added up.

use simulator::Expected;

use super::draw::Pair;

/// Good ones of all.
#[derive(Clone, Copy, Debug, Default)]
pub struct Share {
    pub good: u64,
    pub of: u64,
}

impl Share {
    pub fn add(&mut self, good: bool) {
        self.good += u64::from(good);
        self.of += 1;
    }

    /// `97.3 %`, `-` of none.
    pub fn percent(&self) -> String {
        if self.of == 0 {
            return "-".to_owned();
        }
        format!("{:.1}", 100.0 * self.good as f64 / self.of as f64)
    }

    /// `97.32 % (1023 of 1051)`.
    pub fn whole(&self) -> String {
        if self.of == 0 {
            return "none".to_owned();
        }
        let percent = 100.0 * self.good as f64 / self.of as f64;
        format!("{percent:.2} % ({} of {})", self.good, self.of)
    }
}

/// One scenario, or all.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub tried: u64,
    pub flowed: u64,
    pub cut: Share,
    /// The same by breakers and boosters alone: they opened.
    pub cut_alone: Share,
    pub selective: Share,
    /// Cut although only telling was asked for.
    pub needless: Share,
    pub cut_without: u64,
    /// From current to order, milliseconds.
    pub millis: Vec<f64>,
    /// From current to the opening of a breaker, without Checkrail.
    pub millis_alone: Vec<f64>,
    pub saved: Share,
    pub saved_where_possible: Share,
    pub saved_alone: Share,
    pub saved_alone_where_possible: Share,
    pub first: Share,
    pub in_three: Share,
    /// Groups that no sensor tells apart taken as one suspect.
    pub first_group: Share,
    pub in_three_group: Share,
    /// Only where the record does not say that it cannot tell.
    pub first_told: Share,
    pub in_three_told: Share,
}

impl Tally {
    fn shares(&mut self) -> [(&'static str, &mut Share); 14] {
        [
            ("cut", &mut self.cut),
            ("cut-alone", &mut self.cut_alone),
            ("selective", &mut self.selective),
            ("needless", &mut self.needless),
            ("saved", &mut self.saved),
            ("saved-possible", &mut self.saved_where_possible),
            ("saved-alone", &mut self.saved_alone),
            ("saved-alone-possible", &mut self.saved_alone_where_possible),
            ("first", &mut self.first),
            ("three", &mut self.in_three),
            ("first-group", &mut self.first_group),
            ("three-group", &mut self.in_three_group),
            ("first-told", &mut self.first_told),
            ("three-told", &mut self.in_three_told),
        ]
    }

    fn counts(&mut self) -> [(&'static str, &mut u64); 3] {
        [
            ("tried", &mut self.tried),
            ("flowed", &mut self.flowed),
            ("cut-without", &mut self.cut_without),
        ]
    }

    fn times(&mut self) -> [(&'static str, &mut Vec<f64>); 2] {
        [("millis", &mut self.millis), ("millis-alone", &mut self.millis_alone)]
    }

    /// All that counts, as `name=value`.
    pub fn line(&self) -> String {
        let mut it = self.clone();
        let mut words: Vec<String> = Vec::new();
        words.extend(it.counts().map(|(name, count)| format!("{name}={count}")));
        let shares = it.shares();
        let shares = shares.into_iter().filter(|(_, share)| 0 < share.of);
        words.extend(shares.map(|(name, share)| format!("{name}={}/{}", share.good, share.of)));
        for (name, times) in it.times() {
            words.extend(times.iter().map(|millis| format!("{name}={millis}")));
        }
        words.join(" ")
    }

    /// What [`Self::line`] made.
    pub fn of_line(line: &str) -> Self {
        let mut it = Self::default();
        for (name, value) in line.split(' ').filter_map(|word| word.split_once('=')) {
            if let Some((_, count)) = it.counts().into_iter().find(|(known, _)| *known == name) {
                *count += value.parse().unwrap_or(0);
            }
            if let Some((_, times)) = it.times().into_iter().find(|(known, _)| *known == name) {
                times.extend(value.parse::<f64>());
            }
            let share = it.shares().into_iter().find(|(known, _)| *known == name);
            if let (Some((_, share)), Some((good, of))) = (share, value.split_once('/')) {
                share.good += good.parse().unwrap_or(0);
                share.of += of.parse().unwrap_or(0);
            }
        }
        it
    }

    /// Takes in what another has counted.
    pub fn take_in(&mut self, mut other: Self) {
        for ((_, own), (_, more)) in self.counts().into_iter().zip(other.counts()) {
            *own += *more;
        }
        for ((_, own), (_, more)) in self.shares().into_iter().zip(other.shares()) {
            own.good += more.good;
            own.of += more.of;
        }
        for ((_, own), (_, more)) in self.times().into_iter().zip(other.times()) {
            own.append(more);
        }
    }

    /// Of one fault.
    pub fn of(pair: &Pair) -> Self {
        let mut it = Self::default();
        it.add(pair);
        it
    }

    pub fn add(&mut self, pair: &Pair) {
        let it = &pair.with;
        self.tried += 1;
        self.flowed += u64::from(it.flowed.is_some());
        if it.counts() {
            self.cut.add(it.cut);
        }
        if it.cut && it.flowed.is_some() {
            self.selective.add(it.cut_beside.is_empty());
        }
        match it.scenario.expected {
            Expected::Alarm | Expected::Nothing => {
                self.needless.add(it.cause.is_empty() && it.cut_beside.is_empty());
            }
            Expected::Cut | Expected::CutOrAlarm => {}
        }
        it.beside.iter().for_each(|other| self.needless.add(other.cut.is_none()));
        self.cut_without += u64::from(it.cut_without);
        if it.counts() {
            self.millis.extend(it.order_after.map(|span| span.seconds() * 1e3));
        }
        for fate in &it.poles {
            self.saved.add(!fate.lost);
            if !fate.beyond_saving {
                self.saved_where_possible.add(!fate.lost);
            }
        }
        if let Some(alone) = &pair.alone {
            if alone.counts() {
                self.cut_alone.add(alone.tripped_after.is_some());
                self.millis_alone.extend(alone.tripped_after.map(|span| span.seconds() * 1e3));
            }
            for fate in &alone.poles {
                self.saved_alone.add(!fate.lost);
                if !fate.beyond_saving {
                    self.saved_alone_where_possible.add(!fate.lost);
                }
            }
        }
        if let Some(named) = &it.named {
            let within = |rank: Option<usize>, most| rank.is_some_and(|rank| rank <= most);
            self.first.add(within(named.rank, 1));
            self.in_three.add(within(named.rank, 3));
            self.first_group.add(within(named.group_rank, 1));
            self.in_three_group.add(within(named.group_rank, 3));
            if !named.inseparable {
                self.first_told.add(within(named.rank, 1));
                self.in_three_told.add(within(named.rank, 3));
            }
        }
    }
}

/// p50, p95 and the largest.
pub fn spread(millis: &[f64]) -> [Option<f64>; 3] {
    let mut sorted = millis.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let place = (sorted.len().max(1) - 1) as f64 * share;
        sorted.get(place.round() as usize).copied()
    };
    [at(0.5), at(0.95), at(1.0)]
}
