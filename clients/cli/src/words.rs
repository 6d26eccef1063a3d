//! The words people type for the protocol's enumerations, and read for them.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use ringtrue_proto::v1::{
    Conformity, DayOfWeek, FindingKind, FindingState, FurnaceEventKind, FurnaceState, GaugeKind,
    GaugeState, HeatingElement, ProgrammeKind, ReadingPurpose, RingBatchState, StandingOrder,
    ThermocoupleType,
};

/// A word and what it means, for each value of an enumeration.
pub(crate) type Words<T> = &'static [(&'static str, T)];

/// Days of the week.
pub(crate) const DAYS: Words<DayOfWeek> = &[
    ("monday", DayOfWeek::Monday),
    ("tuesday", DayOfWeek::Tuesday),
    ("wednesday", DayOfWeek::Wednesday),
    ("thursday", DayOfWeek::Thursday),
    ("friday", DayOfWeek::Friday),
    ("saturday", DayOfWeek::Saturday),
    ("sunday", DayOfWeek::Sunday),
];

/// Heating elements.
pub(crate) const ELEMENTS: Words<HeatingElement> = &[
    (
        "molybdenum-disilicide",
        HeatingElement::MolybdenumDisilicide,
    ),
    ("silicon-carbide", HeatingElement::SiliconCarbide),
    ("other", HeatingElement::Other),
];

/// Thermocouple types.
pub(crate) const THERMOCOUPLES: Words<ThermocoupleType> = &[
    ("B", ThermocoupleType::B),
    ("S", ThermocoupleType::S),
    ("R", ThermocoupleType::R),
];

/// Types of a reference thermocouple that readings are evaluated for.
pub(crate) const REFERENCE_THERMOCOUPLES: Words<ThermocoupleType> =
    &[("B", ThermocoupleType::B), ("S", ThermocoupleType::S)];

/// States of a furnace.
pub(crate) const FURNACE_STATES: Words<FurnaceState> = &[
    ("in-use", FurnaceState::InUse),
    ("in-service", FurnaceState::InService),
    ("retired", FurnaceState::Retired),
];

/// Kinds of furnace events.
pub(crate) const EVENTS: Words<FurnaceEventKind> = &[
    ("elements-replaced", FurnaceEventKind::ElementsReplaced),
    (
        "thermocouple-replaced",
        FurnaceEventKind::ThermocoupleReplaced,
    ),
    ("controller-changed", FurnaceEventKind::ControllerChanged),
    (
        "controller-offset-changed",
        FurnaceEventKind::ControllerOffsetChanged,
    ),
    ("moved", FurnaceEventKind::Moved),
    ("mains-work", FurnaceEventKind::MainsWork),
    ("repair", FurnaceEventKind::Repair),
    ("discoloured-work", FurnaceEventKind::DiscolouredWork),
];

/// Kinds of programmes.
pub(crate) const PROGRAMMES: Words<ProgrammeKind> = &[
    ("standard", ProgrammeKind::Standard),
    ("quick", ProgrammeKind::Quick),
    ("long", ProgrammeKind::Long),
];

/// Kinds of gauges.
pub(crate) const GAUGES: Words<GaugeKind> = &[
    ("caliper", GaugeKind::Caliper),
    ("micrometer", GaugeKind::Micrometer),
];

/// States of a gauge.
pub(crate) const GAUGE_STATES: Words<GaugeState> = &[
    ("in-use", GaugeState::InUse),
    ("withdrawn", GaugeState::Withdrawn),
];

/// States of a batch.
pub(crate) const BATCH_STATES: Words<RingBatchState> = &[
    ("released", RingBatchState::Released),
    ("on hold", RingBatchState::OnHold),
    ("withdrawn", RingBatchState::Withdrawn),
];

/// Purposes of a reading.
pub(crate) const PURPOSES: Words<ReadingPurpose> = &[
    ("routine", ReadingPurpose::Routine),
    ("verification", ReadingPurpose::Verification),
    ("after-event", ReadingPurpose::AfterEvent),
    ("practice", ReadingPurpose::Practice),
];

/// Whether a furnace conforms.
pub(crate) const CONFORMITIES: Words<Conformity> = &[
    ("in", Conformity::In),
    ("out", Conformity::Out),
    ("undecided", Conformity::Undecided),
    ("unknown", Conformity::Unknown),
];

/// Orders of furnaces.
pub(crate) const STANDING_ORDERS: Words<StandingOrder> = &[
    ("risk", StandingOrder::Risk),
    ("error", StandingOrder::Error),
    ("drift", StandingOrder::Drift),
    ("due", StandingOrder::Due),
    ("name", StandingOrder::Name),
];

/// Kinds of findings.
pub(crate) const FINDING_KINDS: Words<FindingKind> = &[
    ("furnace-drifting", FindingKind::FurnaceDrifting),
    (
        "furnace-leaving-tolerance",
        FindingKind::FurnaceLeavingTolerance,
    ),
    ("batch-suspect", FindingKind::BatchSuspect),
    ("gauge-suspect", FindingKind::GaugeSuspect),
    ("site-shift", FindingKind::SiteShift),
    ("operator-pattern", FindingKind::OperatorPattern),
    ("furnace-over-adjusted", FindingKind::FurnaceOverAdjusted),
    ("chamber-uneven", FindingKind::ChamberUneven),
];

/// States of a finding.
pub(crate) const FINDING_STATES: Words<FindingState> = &[
    ("open", FindingState::Open),
    ("acknowledged", FindingState::Acknowledged),
    ("resolved", FindingState::Resolved),
];

/// Gives a parser that takes exactly these words and offers them to completion.
pub(crate) fn one_of<T>(words: Words<T>) -> impl TypedValueParser<Value = T>
where
    T: Copy + Send + Sync + 'static,
{
    let known: Vec<&'static str> = words.iter().map(|(word, _)| *word).collect();
    PossibleValuesParser::new(known).try_map(move |text| {
        for (word, value) in words {
            if *word == text {
                return Ok(*value);
            }
        }
        Err(format!("`{text}` is not known here"))
    })
}

/// Gives the word for a value; a dash for one that is not set.
pub(crate) fn word<T: Copy + PartialEq>(words: Words<T>, value: T) -> &'static str {
    for (word, known) in words {
        if *known == value {
            return word;
        }
    }
    "-"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_found_both_ways() {
        assert_eq!(word(EVENTS, FurnaceEventKind::MainsWork), "mains-work");
        assert_eq!(word(EVENTS, FurnaceEventKind::Unspecified), "-");
        let command =
            clap::Command::new("t").arg(clap::Arg::new("kind").value_parser(one_of(EVENTS)));
        let taken = command.try_get_matches_from(["t", "moved"]).expect("known");
        assert_eq!(
            taken.get_one::<FurnaceEventKind>("kind"),
            Some(&FurnaceEventKind::Moved)
        );
    }
}
