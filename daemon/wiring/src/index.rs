//! Dense indices. An id of the layout file is resolved to one of these once; nothing behind the file hashes strings.

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
        pub struct $name(pub u32);

        impl $name {
            /// Position in the layout's list of its kind.
            #[must_use]
            pub const fn at(self) -> usize {
                self.0 as usize
            }

            /// The index of the element at `position`.
            ///
            /// # Panics
            /// When a layout holds more than four thousand million of a kind, which the reader's size limit excludes.
            #[must_use]
            pub fn new(position: usize) -> Self {
                Self(u32::try_from(position).expect("the reader limits the size of a file"))
            }
        }
    )*};
}

index! {
    /// A booster or power pack.
    BoosterIx,
    /// A district: what one breaker feeds.
    DistrictIx,
    /// A block: what one detector watches.
    BlockIx,
    /// A piece of plain track.
    TrackIx,
    /// A piece of trackwork: turnout, three-way, crossing, slip.
    TrackworkIx,
    /// A frog.
    FrogIx,
    /// A switch machine.
    MachineIx,
    /// A change-over contact of a switch machine.
    PoleIx,
    /// An automatic reverser.
    ReverserIx,
    /// A named end that is no port: a buffer, or a joint shared by two tracks.
    JointIx,
    /// A channel of the layout's channel table.
    ChannelIx,
}
