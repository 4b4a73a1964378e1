//! Names instead of indices: the layout file may change between runs, and the history outlives it.

use std::{collections::BTreeMap, sync::Arc};

use supervision::{alarm::Subject, input::Feed, record::Accused, words};
use wiring::{
    channel::{ChannelTable, Object, subject},
    index::ChannelIx,
    layout::Layout,
};

/// The layout and its channels, for turning indices into names and back.
#[derive(Clone, Debug)]
pub struct Names {
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    objects: Arc<BTreeMap<String, Object>>,
}

impl Names {
    /// Names of this layout.
    #[must_use]
    pub fn new(layout: Arc<Layout>, channels: Arc<ChannelTable>) -> Self {
        let objects = channels
            .iter()
            .map(|(index, channel)| (channels.object_name(index).to_owned(), channel.object))
            .collect();
        Self { layout, channels, objects: Arc::new(objects) }
    }

    /// The layout.
    #[must_use]
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The name of a channel.
    #[must_use]
    pub fn channel(&self, index: ChannelIx) -> &str {
        self.channels.name(index)
    }

    /// `district/quarry`.
    #[must_use]
    pub fn object(&self, object: Object) -> String {
        subject(&self.layout, object)
    }

    /// The object of a subject's name; none when this layout has it no more.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<Object> {
        self.objects.get(name).copied()
    }

    /// `district/quarry`, `booster/main`.
    #[must_use]
    pub fn feed(&self, feed: Feed) -> String {
        match feed {
            Feed::Booster(it) => self.object(Object::Booster(it)),
            Feed::District(it) => self.object(Object::District(it)),
        }
    }

    /// A suspect's name.
    #[must_use]
    pub fn accused(&self, accused: Accused) -> String {
        words::accused_name(&self.layout, accused)
    }

    /// An alarm's subject; `node` is the node's name where it is one.
    #[must_use]
    pub fn subject(&self, it: Subject, node: Option<&str>) -> String {
        words::subject_name(&self.layout, it, node)
    }
}
