//! Settings of the protection: `[protection]` and its overrides, every key with its default and where it came from.

use crate::{
    index::{BlockIx, DistrictIx, MachineIx},
    units::{Microamps, Micros},
};

/// How a cut is proved.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum CutProof {
    /// Current below the residual in two fresh samples, and the feedback where one is configured.
    Current,
    /// Voltage gone. Weak: capacitors hold voltage.
    Voltage,
    /// Only the actuator's own word. Weak.
    Feedback,
    /// Nothing proves it. Weak.
    None,
}

/// What happens when the current of a district goes stale.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum OnStale {
    /// Alarm "not protected".
    Alarm,
    /// Cut the district.
    Cut,
}

/// What happens at start with outputs that are found off.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum PowerOn {
    /// They stay off until an operator restores.
    Ask,
    /// They are switched on.
    Auto,
}

/// Inverse-time curves of IEC 60255-151 and IEEE C37.112.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum CurveName {
    /// IEC standard inverse.
    StandardInverse,
    /// IEC very inverse.
    VeryInverse,
    /// IEC extremely inverse.
    ExtremelyInverse,
    /// IEC long-time inverse.
    LongTimeInverse,
    /// IEEE moderately inverse.
    ModeratelyInverse,
    /// IEEE very inverse.
    IeeeVeryInverse,
    /// IEEE extremely inverse.
    IeeeExtremelyInverse,
}

/// The settings in force for one district, block or machine. Fractions are in thousandths.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Protection {
    /// `short-step`: a step of at least this arms `short`. Default 1.5 A.
    pub short_step: Microamps,
    /// `short-window`: how far back the lowest good sample counts. Default 60 ms.
    pub short_window: Micros,
    /// `short-after`: from the first to the latest sample above pick-up. Default 20 ms.
    pub short_after: Micros,
    /// `withstand-time`: T of the weakest pole's pick-up. Default 0.5 s.
    pub withstand_time: Micros,
    /// `half-short-after`. Default 1 s.
    pub half_short_after: Micros,
    /// `at-limit-after`. Default 500 ms.
    pub at_limit_after: Micros,
    /// `overload-pickup`; none: 100 % of breaker trip, at most 90 % of booster limit.
    pub overload_pickup: Option<Microamps>,
    /// `overload-curve`. Default very inverse.
    pub overload_curve: CurveName,
    /// `overload-multiplier`, thousandths. Default 100.
    pub overload_multiplier: u32,
    /// `contact-warning`, thousandths of the thermal image. Default 800.
    pub contact_warning: u32,
    /// `mismatch-after`. Default 200 ms.
    pub mismatch_after: Micros,
    /// `mismatch-window`. Default 500 ms.
    pub mismatch_window: Micros,
    /// `low-voltage`, thousandths of booster volts, or an absolute voltage. Default 800 (80 %).
    pub low_voltage: LowVoltage,
    /// `low-voltage-after`. Default 500 ms.
    pub low_voltage_after: Micros,
    /// `still-shorted-after`. Default 60 ms.
    pub still_shorted_after: Micros,
    /// `cut-within`; none: 300 ms, 600 ms over MQTT, two polls of Modbus.
    pub cut_within: Option<Micros>,
    /// `cut-residual`; none: the larger of 50 mA and 5 x noise.
    pub cut_residual: Option<Microamps>,
    /// `cut-proof`; none: the best there is.
    pub cut_proof: Option<CutProof>,
    /// `restore-tries`, 0 to 3. Default 0.
    pub restore_tries: u8,
    /// `restore-after`: first waits before each automatic try. Default 2 s, 5 s, 10 s.
    pub restore_after: [Micros; 3],
    /// `inrush-window`. Default 300 ms.
    pub inrush_window: Micros,
    /// `inrush-pickup`; none: the smaller of breaker trip and 90 % of booster limit.
    pub inrush_pickup: Option<Microamps>,
    /// `inrush-after`. Default 50 ms.
    pub inrush_after: Micros,
    /// `frog-load`. Default 0.6 A.
    pub frog_load: Microamps,
    /// `pair-factor`, thousandths. Default 1800.
    pub pair_factor: u32,
    /// `occupied-above`. Default 5 mA.
    pub occupied_above: Microamps,
    /// `occupied-after`. Default 50 ms.
    pub occupied_after: Micros,
    /// `clear-below`. Default 2 mA.
    pub clear_below: Microamps,
    /// `clear-after`. Default 1 s.
    pub clear_after: Micros,
    /// `unaccounted-tolerance`; none: 5 % of full scale plus 20 mA.
    pub unaccounted_tolerance: Option<Microamps>,
    /// `unaccounted-after`. Default 3 s.
    pub unaccounted_after: Micros,
    /// `stale-after`; none: by the channel's announced rate.
    pub stale_after: Option<Micros>,
    /// `on-stale`. Default alarm.
    pub on_stale: OnStale,
    /// `power-on`. Default ask.
    pub power_on: PowerOn,
}

/// The threshold below which voltage counts as low.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum LowVoltage {
    /// Thousandths of booster volts (of the measured district voltage on DC).
    OfBooster(u32),
    /// An absolute voltage.
    Absolute(crate::units::Millivolts),
}

impl Default for Protection {
    fn default() -> Self {
        let ms = Micros::from_millis;
        Self {
            short_step: Microamps(1_500_000),
            short_window: ms(60),
            short_after: ms(20),
            withstand_time: ms(500),
            half_short_after: ms(1000),
            at_limit_after: ms(500),
            overload_pickup: None,
            overload_curve: CurveName::VeryInverse,
            overload_multiplier: 100,
            contact_warning: 800,
            mismatch_after: ms(200),
            mismatch_window: ms(500),
            low_voltage: LowVoltage::OfBooster(800),
            low_voltage_after: ms(500),
            still_shorted_after: ms(60),
            cut_within: None,
            cut_residual: None,
            cut_proof: None,
            restore_tries: 0,
            restore_after: [ms(2000), ms(5000), ms(10_000)],
            inrush_window: ms(300),
            inrush_pickup: None,
            inrush_after: ms(50),
            frog_load: Microamps(600_000),
            pair_factor: 1800,
            occupied_above: Microamps(5000),
            occupied_after: ms(50),
            clear_below: Microamps(2000),
            clear_after: ms(1000),
            unaccounted_tolerance: None,
            unaccounted_after: ms(3000),
            stale_after: None,
            on_stale: OnStale::Alarm,
            power_on: PowerOn::Ask,
        }
    }
}

/// Where a setting in force came from.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Origin {
    /// Built in.
    Default,
    /// `[protection]`.
    Layout,
    /// `[district.ID.protection]`.
    District,
    /// `[block.ID.protection]`.
    Block,
    /// `[machine.ID.protection]`.
    Machine,
}

/// A key in force, for `check --verbose`.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct InForce {
    /// The object it is in force for.
    pub subject: String,
    /// The key.
    pub key: &'static str,
    /// The value as written.
    pub value: String,
    /// Where it came from.
    pub origin: Origin,
}

/// All settings, resolved once: nearest wins.
#[derive(Clone, Debug, Default)]
pub struct ProtectionTable {
    /// For the layout as a whole.
    pub layout: Protection,
    /// By district.
    pub districts: Vec<Protection>,
    /// By block.
    pub blocks: Vec<Protection>,
    /// By machine. A machine inherits from the district of the first frog it feeds.
    pub machines: Vec<Protection>,
    /// Every key in force and its origin.
    pub in_force: Vec<InForce>,
}

impl ProtectionTable {
    /// Settings of a district.
    #[must_use]
    pub fn district(&self, district: DistrictIx) -> &Protection {
        &self.districts[district.at()]
    }

    /// Settings of a block.
    #[must_use]
    pub fn block(&self, block: BlockIx) -> &Protection {
        &self.blocks[block.at()]
    }

    /// Settings of a machine.
    #[must_use]
    pub fn machine(&self, machine: MachineIx) -> &Protection {
        &self.machines[machine.at()]
    }
}
