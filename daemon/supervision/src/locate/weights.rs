//! The one table of weights: how much likelier each sign makes its suspect, as a likelihood ratio in hundredths.
//!
//! Where they come from. First judgement: the scores of the trade's fault list (entered on a wrong leg 5, contradicts the
//! route 5, thrown just before 3, position unknown 3, weak contact 2, an earlier fault 1) taken as powers of two, the rest
//! common practice, no source. Then a conditional logit over the suspects of 946 records of simulated faults (development
//! seeds 101, 102 and 103, 640 faults each), drawn towards that judgement with a pull of 3, cross-validated by scenario and by
//! layout, and rounded to steps by hand. What the contract fixes was not fitted: a clear turnout that did not move is 1/20,
//! the loop moves odds by three at most, place outranks recency. To repeat it:
//!
//! ```sh
//! cargo bench -p supervision --bench protection -- --with-only --hours 0 --seed 101 --faults 640 --save DIR
//! cargo bench -p supervision --bench protection -- --from DIR,DIR,DIR --calibrate 3
//! ```
//!
//! Simulated faults are drawn equally often from the list, as on no layout: so what each kind weighs before anything is
//! seen was not fitted either.

macro_rules! table {
    ($($(#[$what:meta])* $sign:ident = $ratio:literal,)*) => {
        /// One sign, for or against a suspect.
        #[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
        pub enum Sign {
            $($(#[$what])* $sign,)*
        }

        /// Likelihood ratio of a sign, in hundredths.
        #[must_use]
        pub const fn ratio(sign: Sign) -> u32 {
            match sign {
                $(Sign::$sign => $ratio,)*
            }
        }
    };
}

table! {
    // --- a frog: a train ran through its turnout
    /// A train moved on a leg that the turnout is not set for, or entered from it.
    EnteredWrongLeg = 3200,
    /// … more than a second before: a wheel that comes onto the gap shorts at once.
    EnteredLongBefore = 600,
    /// A train came towards it on such a leg, long enough ago to be there.
    HeadedForIt = 500,
    /// … too short a time ago to be there.
    StillOnItsWay = 30,
    /// The train on such a leg came over this turnout and is beyond it.
    CameFromIt = 50,
    /// A train stands there. Parked cars stand on the other leg of half a yard's turnouts.
    StandsOnWrongLeg = 120,
    /// A train in its block, which holds such a leg as well. It is against one of the turnouts at most: what speaks for
    /// all of them is shared among them.
    MayBeOnWrongLeg = 150,
    /// … which holds two such legs.
    OneOfTwoLegs = 50,
    /// … which holds more.
    OneOfMoreLegs = 40,
    // --- a frog: its contact changed over
    /// Its machine moves, and its contact is about to change over.
    Moving = 600,
    /// Its machine moves, and its contact rests on one side.
    OffChangeOver = 200,
    /// Its position is not known.
    PositionUnknown = 800,
    /// It was thrown so shortly before that its contact may have changed over just then.
    ThrownBefore = 300,
    /// A throw is for a train that comes some seconds later: only around the change-over does it explain a short.
    LongBefore = 150,
    /// A train is in its block as it moves: it waits for its way there as often as it stands on the points.
    ThrownUnderTrain = 120,
    // --- a frog: its contact is on the wrong side
    /// It was measured on the wrong rail.
    WrongRail = 3200,
    /// It stayed on one conductor over a throw.
    NotSwitching = 3200,
    /// Its machine stands elsewhere than asked.
    OutOfStep = 800,
    /// Its contact was found weak, or open.
    WeakContact = 400,
    /// Others are wrong with it: one mistake in the wiring puts all frogs behind it on the wrong rail, one frog's own mistake
    /// only that frog.
    WrongLikeOthers = 1,
    // --- a frog: nothing was seen there
    /// At rest, on its rail, and no train against it.
    NothingAmiss = 20,
    /// Bursts that were over by themselves, where this frog is fed: a wheel that passes.
    PassedBefore = 800,
    /// The current was over by itself, where this frog is fed.
    Passed = 600,
    /// It was on the right rail, and the train is on the route that is set.
    MatchesUnderTrain = 40,
    /// No train moved near it.
    NothingMovedNear = 30,
    /// It stood so before without a fault.
    WasGoodHere = 80,
    // --- a frog, whatever it was
    /// The fault's current was measured at the frog itself.
    OwnCurrent = 3200,
    /// It was measured there, and did not flow.
    OwnCurrentElsewhere = 5,
    /// Current stepped in the block that feeds it, or in that of the leg that it is not set for.
    StepHere = 600,
    /// It stepped in another.
    StepElsewhere = 3,
    /// Fixed: points and both legs clear, nothing moved.
    ClearAndStill = 5,
    /// It had no power, so a wheel on it shorts nothing.
    DeadFrog = 20,
    /// It was the culprit of an earlier fault.
    EarlierFault = 200,
    /// Another district stepped too, and this frog meets it.
    AtBoundary = 400,
    /// Another district tripped after the cut, and this frog meets it: a train across the border feeds on whatever is shorted
    /// beside it.
    AtFollower = 200,
    /// It lies wholly in the district that tripped later.
    WithinFollower = 10,
    /// What feeds it, or its whole block, is out of phase.
    ExplainedByFeed = 8,
    /// Fixed at three at most: a wheel's own contact varies by as much as 15 m of bus.
    LoopFits = 300,
    /// See above.
    LoopNear = 150,
    /// See above.
    LoopOff = 60,
    /// See above.
    LoopFarOff = 34,
    // --- a block, an object, a derailment
    /// Current stepped in the block.
    BlockSteps = 300,
    /// It stepped in another.
    BlockDoesNotStep = 3,
    /// Nothing moved and nothing was thrown: what lies on the track needs no cause.
    NothingMoved = 120,
    /// A train is in the block that stepped: it may have derailed.
    TrainInSteppedBlock = 400,
    /// Bursts before were over by themselves: what lies on the track does not go away.
    DidNotStay = 30,
    /// So was this one.
    EndedByItself = 30,
    // --- a vehicle
    /// A train is in the block that stepped.
    TrainWhereStepped = 800,
    /// … and moved there just before.
    EnteredJustBefore = 400,
    /// There is none.
    NoTrainThere = 5,
    /// The same train was there in faults at other places.
    SameTrain = 800,
    /// Current grew as load does.
    CreptUp = 6400,
    // --- wiring
    /// Power had just come on: what is wired wrong shorts at once.
    PowerJustOn = 6400,
    /// It had carried trains for long.
    PowerLongOn = 50,
    /// Another district stepped by as much.
    TwoDistricts = 1600,
    /// Two neighbouring blocks stepped together: a wheel joins rails of different phase.
    GapOutOfPhase = 2400,
    /// The district stepped, and none of its blocks.
    PastDetectors = 120,
    /// Frogs are on the wrong rail together.
    AllOnWrongRail = 6400,
    /// It began with the throw of a clear turnout, as a closed gap does.
    ThrowTogglesShort = 200,
    // --- reversers
    /// Current stepped on both sides of a reverser's gap.
    ReverserGap = 9600,
    /// One flipped at the onset.
    ReverserFlipped = 6400,
    /// None flipped.
    ReverserStill = 20,
    /// No train is at one.
    ReverserEmpty = 5,
    // --- none of these
    /// Power had just come back, and engines charge then.
    PowerBack = 1200,
    /// … and the current falls smoothly.
    ChargesAfterPower = 3200,
    /// The current falls smoothly, as in inrush.
    Decays = 1000,
    /// It does not.
    StaysFlat = 30,
    /// Readings contradict each other.
    Contradiction = 300,
    // --- against several
    /// Current did not step.
    NoStep = 5,
    /// Engines charge: it is no short.
    NotACharge = 20,
    /// Two blocks stepped together; a short in one place steps one.
    InTwoBlocks = 8,
    /// No block stepped; a short behind a detector steps it.
    NoBlockSteps = 8,
}

/// What each kind of suspect weighs before anything is seen, in hundredths. Common practice, no source: run-throughs and
/// derailments are the daily faults, wiring that worked before seldom fails.
pub(super) mod prior {
    pub(in super::super) const FROG: u32 = 100;
    pub(in super::super) const BLOCK: u32 = 15;
    pub(in super::super) const OBJECT: u32 = 100;
    pub(in super::super) const VEHICLE: u32 = 25;
    pub(in super::super) const WIRING: u32 = 20;
    pub(in super::super) const REVERSER: u32 = 30;
    pub(in super::super) const NOT_EXPLAINED: u32 = 15;
}
