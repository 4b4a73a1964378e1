//! Plain track: its ends, gaps and feeders.

use super::{
    build::{Build, conductor},
    error::FileErrorKind,
    fields::{Data, Fields, Node},
    names::Found,
    scalar::check_id,
};
use crate::{
    grammar::Referent,
    index::{BlockIx, JointIx, TrackIx},
    layout::{End, Gap, Joint, RailCode, Side, Span, Track, Which},
    suggest,
    trackwork::Port,
    units::Micrometres,
};

/// Tracks that can meet at an end of the owner's own, but around a turntable.
const TRACKS_AT_JOINT: usize = 2;

/// An end before it is known whether there is room at it.
#[derive(Debug)]
enum Wanted {
    Port(crate::index::TrackworkIx, Port),
    Name(String),
}

impl Build<'_> {
    pub(super) fn tracks(&mut self) {
        for entry in self.root.by_id("track") {
            let made = entry.item.as_ref().and_then(|it| self.track(&entry.id, it));
            self.declared(made.is_some(), "track", &entry.id);
        }
        self.crowds();
    }

    /// More than two tracks meet at an end only around a turntable, whose bridge has both its ends there.
    fn crowds(&mut self) {
        for at in 0..self.layout.joints.len() {
            let ends = self.layout.joints[at].ends.clone();
            let mut tracks: Vec<TrackIx> = ends.iter().map(|(track, _)| *track).collect();
            tracks.sort_unstable();
            let has_bridge = tracks.windows(2).any(|pair| pair[0] == pair[1]);
            if has_bridge {
                continue;
            }
            let holder = ends.first().map(|(track, _)| *track);
            for (extra, which) in ends.iter().skip(TRACKS_AT_JOINT) {
                self.crowded(at, *extra, *which, holder);
            }
        }
    }

    fn crowded(&mut self, joint: usize, extra: TrackIx, which: Which, holder: Option<TrackIx>) {
        let Some(holder) = holder.map(|it| &self.layout.tracks[it.at()]) else {
            return;
        };
        let (also, track) = ((holder.span, "it already ends here"), holder.id.clone());
        let id = &self.layout.tracks[extra.at()].id;
        let [from, to] = self.track_ends[extra.at()];
        let span = match which {
            Which::From => from,
            Which::To => to,
        };
        let end = self.layout.joints[joint].name.clone();
        let subject = format!("track/{id}");
        self.error_with(span, also, &subject, FileErrorKind::EndTaken { end, track });
    }

    fn track(&mut self, id: &str, it: &Fields) -> Option<()> {
        let block = self.block_of(it);
        let from = self.end(id, "from", it);
        let to = self.end(id, "to", it);
        let (block, from, to) = (block?, from?, to?);
        let is_free = self.is_room(&from, it, "from");
        if !(self.is_room(&to, it, "to") && is_free && self.are_apart(&from, &to, id, it)) {
            return None;
        }
        let index = TrackIx::new(self.layout.tracks.len());
        let from = self.join(from, index, Which::From, it.span_of("from"));
        let to = self.join(to, index, Which::To, it.span_of("to"));
        let left = conductor(it, "left");
        let feeders = feeders(it, left.is_some());
        let block_left = self.layout.blocks[block.at()].left;
        if left.is_none() && !feeders.is_empty() {
            self.assume(&it.subject, "left", block_left.word());
        }
        self.track_ends.push([it.span_of("from"), it.span_of("to")]);
        self.layout.tracks.push(Track {
            id: id.to_owned(),
            span: it.span,
            block,
            from,
            to,
            length: Micrometres(it.magnitude("length").unwrap_or(0)),
            rail: RailCode(
                it.count("rail").and_then(|code| u16::try_from(code).ok()).unwrap_or(83),
            ),
            // A track that is fed must be fed from some conductor: the block's where it does not say.
            left: left.or_else(|| (!feeders.is_empty()).then_some(block_left)),
            gaps: gaps(it),
            feeders,
        });
        Some(())
    }

    fn block_of(&mut self, it: &Fields) -> Option<BlockIx> {
        if let Some(id) = it.text("block") {
            let found = self.blocks.find(id);
            return self.settle(found, it.span_of("block"), &it.subject);
        }
        if it.is_broken("block") {
            return None;
        }
        let Some(only) = self.blocks.only() else {
            if 1 < self.root.by_id("block").len() {
                let id = it.subject.trim_start_matches("track/");
                let table = format!("[track.{id}]");
                let example = "\"q1\"".to_owned();
                let kind = FileErrorKind::KeyMissing { key: "block", table, example };
                self.error(it.span, &it.subject, kind);
            }
            return None;
        };
        let id = self.layout.blocks[only.at()].id.clone();
        self.assume(&it.subject, "block", id);
        Some(only)
    }

    fn end(&mut self, id: &str, key: &'static str, it: &Fields) -> Option<Wanted> {
        if it.is_broken(key) {
            return None;
        }
        let Some(text) = it.text(key) else {
            // A point cannot stand in a name of the owner's own, so that this end is nobody else's.
            let own = format!("{id}.{key}");
            self.assume(&it.subject, key, own.clone());
            return Some(Wanted::Name(own));
        };
        match self.end_named(text) {
            Ok(end) => Some(end),
            Err(kind) => {
                self.error(it.span_of(key), &it.subject, kind);
                None
            }
        }
    }

    fn end_named(&self, text: &str) -> Result<Wanted, FileErrorKind> {
        let Some((trackwork, port)) = text.split_once('.') else {
            check_id(text)?;
            return match self.trackwork.index(text) {
                Some(index) => Err(FileErrorKind::PortMissing {
                    trackwork: text.to_owned(),
                    ports: self.ports_of(index),
                }),
                None => Ok(Wanted::Name(text.to_owned())),
            };
        };
        match self.trackwork.find(trackwork) {
            Found::Yes(index) => {
                let ports = &self.layout.trackwork[index.at()].at_port;
                let found = ports.iter().find(|(own, _)| own.word() == port);
                found.map(|(port, _)| Wanted::Port(index, *port)).ok_or_else(|| {
                    let known = self.ports_of(index);
                    let nearest = suggest::nearest(text, known.iter().map(String::as_str));
                    unknown_port(text, nearest.map(str::to_owned), known.clone())
                })
            }
            // The trackwork was left out, but the track is there: it ends at an end of that name.
            Found::LeftOut => Ok(Wanted::Name(text.to_owned())),
            Found::No(_) => {
                let nearest = self.trackwork.nearest(trackwork).map(|id| format!("{id}.{port}"));
                let known = vec!["TRACKWORK.PORT".to_owned(), "buffer-1".to_owned()];
                Err(unknown_port(text, nearest, known))
            }
        }
    }

    fn ports_of(&self, index: crate::index::TrackworkIx) -> Vec<String> {
        let trackwork = &self.layout.trackwork[index.at()];
        let name = |port: &Port| format!("{}.{}", trackwork.id, port.word());
        trackwork.at_port.iter().map(|(port, _)| name(port)).collect()
    }

    /// Complains when an end is full.
    fn is_room(&mut self, end: &Wanted, it: &Fields, key: &str) -> bool {
        let (name, holder) = match end {
            Wanted::Port(trackwork, port) => {
                let trackwork = &self.layout.trackwork[trackwork.at()];
                let taken = trackwork.at_port.iter().find(|(own, _)| own == port);
                let name = format!("{}.{}", trackwork.id, port.word());
                (name, taken.and_then(|(_, holder)| *holder))
            }
            Wanted::Name(_) => return true,
        };
        let Some((track, _)) = holder else {
            return true;
        };
        let track = &self.layout.tracks[track.at()];
        let (also, track) = ((track.span, "it already ends here"), track.id.clone());
        let kind = FileErrorKind::EndTaken { end: name, track };
        self.error_with(it.span_of(key), also, &it.subject, kind);
        false
    }

    /// Both ends of one track cannot be at one port; at one name they make a circle.
    fn are_apart(&mut self, from: &Wanted, to: &Wanted, id: &str, it: &Fields) -> bool {
        match (from, to) {
            (Wanted::Port(first, port), Wanted::Port(second, other))
                if first == second && port == other =>
            {
                let end = it.text("to").unwrap_or_default().to_owned();
                let kind = FileErrorKind::EndTaken { end, track: id.to_owned() };
                let also = (it.span_of("from"), "it already ends here");
                self.error_with(it.span_of("to"), also, &it.subject, kind);
                false
            }
            _ => true,
        }
    }

    fn join(&mut self, end: Wanted, track: TrackIx, which: Which, span: Span) -> End {
        match end {
            Wanted::Port(trackwork, port) => {
                let ports = &mut self.layout.trackwork[trackwork.at()].at_port;
                if let Some((_, holder)) = ports.iter_mut().find(|(own, _)| *own == port) {
                    *holder = Some((track, which));
                }
                End::Port(trackwork, port)
            }
            Wanted::Name(name) => {
                let joints = &mut self.layout.joints;
                let index = *self.joints.entry(name).or_insert_with_key(|name| {
                    joints.push(Joint { name: name.clone(), span, ends: Vec::new() });
                    JointIx::new(joints.len() - 1)
                });
                joints[index.at()].ends.push((track, which));
                End::Joint(index)
            }
        }
    }
}

fn unknown_port(id: &str, nearest: Option<String>, known: Vec<String>) -> FileErrorKind {
    FileErrorKind::Unknown { what: Referent::Port, id: id.to_owned(), nearest, known }
}

fn which(word: &str) -> Which {
    if word == "from" { Which::From } else { Which::To }
}

fn feeders(it: &Fields, has_left: bool) -> Vec<Which> {
    match it.list("feeders") {
        Some(list) => {
            let mut ends: Vec<Which> = list.iter().filter_map(Node::text).map(which).collect();
            ends.dedup();
            ends
        }
        None if has_left && !it.is_broken("feeders") => vec![Which::From],
        None => Vec::new(),
    }
}

fn gaps(it: &Fields) -> Vec<Gap> {
    let mut gaps: Vec<Gap> = Vec::new();
    for node in it.list("gaps").unwrap_or_default() {
        for gap in gaps_of(node) {
            if !gaps.contains(&gap) {
                gaps.push(gap);
            }
        }
    }
    gaps
}

fn gaps_of(node: &Node) -> Vec<Gap> {
    let (end, rail) = if let Data::Table(table) = &node.data {
        (table.word("end"), table.word("rail"))
    } else {
        (node.text(), None)
    };
    let Some(end) = end.map(which) else {
        return Vec::new();
    };
    let sides = match rail {
        Some("left") => vec![Side::Left],
        Some(_) => vec![Side::Right],
        None => vec![Side::Left, Side::Right],
    };
    sides.into_iter().map(|rail| Gap { end, rail }).collect()
}
