//! The one table of weights: how much likelier each sign makes its suspect, as a likelihood ratio in hundredths.
//!
//! The scores of the trade's fault list (entered on a wrong leg 5, contradicts the route 5, thrown just before 3,
//! position unknown 3, weak contact 2, an earlier fault 1) are taken as powers of two. Those without a score there are
//! common practice, no source. Absence (a clear turnout that did not move) is 1/20, the loop's resistance at most 3.

/// One sign, for or against a suspect.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(super) enum Sign {
    EnteredWrongLeg,
    StandsOnWrongLeg,
    MayBeOnWrongLeg,
    OneOfTwoLegs,
    OneOfMoreLegs,
    ExplainedByFeed,
    PassedBefore,
    DidNotStay,
    ReverserGap,
    PowerBack,
    ChargesAfterPower,
    NotACharge,
    TrainWhereStepped,
    WrongRail,
    OwnCurrent,
    OwnCurrentElsewhere,
    NothingAmiss,
    LongBefore,
    NotSwitching,
    OutOfStep,
    WeakContact,
    DeadFrog,
    MatchesUnderTrain,
    Moving,
    PositionUnknown,
    ThrownBefore,
    ThrownUnderTrain,
    StepHere,
    StepElsewhere,
    ClearAndStill,
    NothingMovedNear,
    WasGoodHere,
    EarlierFault,
    AtBoundary,
    LoopFits,
    LoopNear,
    LoopOff,
    LoopFarOff,
    BlockSteps,
    BlockDoesNotStep,
    NothingMoved,
    TrainInSteppedBlock,
    NoTrainThere,
    SameTrain,
    EnteredJustBefore,
    PowerJustOn,
    PowerLongOn,
    TwoDistricts,
    ThrowTogglesShort,
    ReverserFlipped,
    ReverserStill,
    ReverserEmpty,
    AllOnWrongRail,
    WrongLikeOthers,
    CreptUp,
    NoStep,
    Decays,
    StaysFlat,
    Contradiction,
}

/// Likelihood ratio of a sign, in hundredths.
pub(super) const fn ratio(sign: Sign) -> u32 {
    match sign {
        Sign::EnteredWrongLeg | Sign::WrongRail | Sign::NotSwitching | Sign::OwnCurrent => 3200,
        Sign::AllOnWrongRail | Sign::CreptUp => 3200,
        Sign::OwnCurrentElsewhere | Sign::NoStep => 5,
        // One mistake in the wiring puts all frogs behind it on the wrong rail; one frog's own mistake only that frog.
        Sign::WrongLikeOthers => 1,
        Sign::ExplainedByFeed => 10,
        // A train is against one of the turnouts at most: what speaks for all of them is shared among them.
        Sign::MayBeOnWrongLeg => 400,
        Sign::OneOfTwoLegs => 200,
        Sign::OneOfMoreLegs => 120,
        // What lies or stands on the track does not go away by itself.
        Sign::PassedBefore => 800,
        Sign::DidNotStay => 20,
        Sign::ReverserGap | Sign::ChargesAfterPower => 3200,
        Sign::PowerBack => 800,
        Sign::NotACharge => 20,
        Sign::TrainWhereStepped => 200,
        // A throw is for a train that comes some seconds later: only around the change-over does it explain a short.
        Sign::LongBefore => 200,
        Sign::NothingAmiss => 20,
        Sign::Moving | Sign::PositionUnknown | Sign::ThrownBefore | Sign::OutOfStep => 800,
        Sign::WeakContact => 400,
        // Parked cars stand on the other leg of half a yard's turnouts.
        Sign::StandsOnWrongLeg => 150,
        Sign::NothingMovedNear | Sign::StaysFlat => 50,
        Sign::EarlierFault => 200,
        Sign::ThrownUnderTrain => 200,
        Sign::DeadFrog => 25,
        Sign::MatchesUnderTrain => 20,
        Sign::WasGoodHere => 50,
        Sign::AtBoundary => 400,
        Sign::ClearAndStill => 5,
        Sign::StepHere => 400,
        Sign::StepElsewhere => 3,
        Sign::LoopFits => 300,
        Sign::LoopNear => 150,
        Sign::LoopOff => 60,
        Sign::LoopFarOff => 34,
        Sign::BlockSteps => 400,
        Sign::BlockDoesNotStep => 5,
        Sign::NothingMoved => 500,
        Sign::TrainInSteppedBlock => 200,
        Sign::NoTrainThere => 5,
        Sign::SameTrain => 800,
        Sign::EnteredJustBefore => 200,
        Sign::PowerJustOn => 1600,
        Sign::PowerLongOn => 50,
        Sign::TwoDistricts => 1600,
        Sign::ThrowTogglesShort => 200,
        Sign::ReverserFlipped => 3200,
        Sign::ReverserStill => 20,
        Sign::ReverserEmpty => 5,
        Sign::Decays => 1000,
        Sign::Contradiction => 300,
    }
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
