//! The words people type for the protocol's enumerations, and read for them.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use ringtrue_proto::v1::{
    AlertChangeKind, AlertKind, AlertLevel, AlertStage, AlertState, CareActKind, ClosedDayShift,
    Conformity, CredentialKind, CredentialState, DayOfWeek, DeliveryState, DueState,
    EnrolmentState, ExposureOutcome, FindingKind, FindingState, FiringOutcome, FurnaceEventKind,
    FurnaceState, GaugeKind, GaugeState, HeatingElement, MailMode, Permission, ProgrammeKind,
    ReadingPurpose, RingBatchState, Role, SignOffMeaning, StandingOrder, StepKind, StepState,
    TaskKind, ThermocoupleType, UseState,
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

/// What a signature means.
pub(crate) const MEANINGS: Words<SignOffMeaning> = &[
    ("reviewed", SignOffMeaning::Reviewed),
    ("rejected", SignOffMeaning::Rejected),
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

/// Tasks that fall due.
pub(crate) const TASKS: Words<TaskKind> = &[
    ("calibration", TaskKind::Calibration),
    ("purge-firing", TaskKind::PurgeFiring),
    ("element-regeneration", TaskKind::ElementRegeneration),
    ("bead-replacement", TaskKind::BeadReplacement),
    ("tray-replacement", TaskKind::TrayReplacement),
    ("gauge-check", TaskKind::GaugeCheck),
    ("ring-stock", TaskKind::RingStock),
];

/// Tasks that are recorded with `care`; the others have records of their own.
pub(crate) const CARE_TASKS: Words<TaskKind> = &[
    ("purge-firing", TaskKind::PurgeFiring),
    ("element-regeneration", TaskKind::ElementRegeneration),
    ("bead-replacement", TaskKind::BeadReplacement),
    ("tray-replacement", TaskKind::TrayReplacement),
];

/// How near a due date is, as it is shown.
pub(crate) const DUE_STATES: Words<DueState> = &[
    ("not due", DueState::Current),
    ("due soon", DueState::DueSoon),
    ("due", DueState::Due),
    ("overdue", DueState::Overdue),
];

/// Steps of a calibration, as they are shown.
pub(crate) const STEPS: Words<StepKind> = &[
    ("fire the ring", StepKind::Fire),
    ("measure it cold", StepKind::Measure),
    ("enter the setpoint", StepKind::EnterSetpoint),
    ("verify with a second ring", StepKind::Verify),
];

/// How far a step is, as it is shown.
pub(crate) const STEP_STATES: Words<StepState> = &[
    ("later", StepState::Later),
    ("now", StepState::Open),
    ("late", StepState::Late),
    ("done", StepState::Done),
    ("not needed", StepState::NotNeeded),
];

/// Whether a furnace may be used, as it is shown.
pub(crate) const USE_STATES: Words<UseState> = &[
    ("FIT FOR USE", UseState::Fit),
    ("RESTRICTED", UseState::Restricted),
    ("NOT FOR PATIENTS' WORK", UseState::Unfit),
];

/// What was done about a task.
pub(crate) const CARE_ACTS: Words<CareActKind> = &[
    ("done", CareActKind::Done),
    ("skipped", CareActKind::Skipped),
    ("deferred", CareActKind::Deferred),
    ("ring-fired", CareActKind::RingFired),
    ("use-counted", CareActKind::UseCounted),
    ("rings-counted", CareActKind::RingsCounted),
];

/// Where a due date on a closed day goes.
pub(crate) const SHIFTS: Words<ClosedDayShift> = &[
    ("before", ClosedDayShift::Before),
    ("after", ClosedDayShift::After),
];

/// Kinds of alerts.
pub(crate) const ALERT_KINDS: Words<AlertKind> = &[
    ("calibration-due", AlertKind::CalibrationDue),
    ("ring-waiting", AlertKind::RingWaiting),
    ("setpoint-waiting", AlertKind::SetpointWaiting),
    ("verification-waiting", AlertKind::VerificationWaiting),
    ("care-due", AlertKind::CareDue),
    ("gauge-check-due", AlertKind::GaugeCheckDue),
    ("ring-stock", AlertKind::RingStock),
    ("out-of-tolerance", AlertKind::OutOfTolerance),
    ("finding", AlertKind::Finding),
    ("site-silent", AlertKind::SiteSilent),
    ("delivery-failing", AlertKind::DeliveryFailing),
    ("credential-ends", AlertKind::CredentialEnds),
];

/// How pressing an alert is.
pub(crate) const ALERT_STAGES: Words<AlertStage> = &[
    ("soon", AlertStage::Soon),
    ("due", AlertStage::Due),
    ("overdue", AlertStage::Overdue),
    ("lapsed", AlertStage::Lapsed),
];

/// Whom an alert is for.
pub(crate) const ALERT_LEVELS: Words<AlertLevel> = &[
    ("technician", AlertLevel::Technician),
    ("manager", AlertLevel::Manager),
    ("quality", AlertLevel::Quality),
];

/// How far people are with an alert.
pub(crate) const ALERT_STATES: Words<AlertState> = &[
    ("open", AlertState::Open),
    ("acknowledged", AlertState::Acknowledged),
    ("snoozed", AlertState::Snoozed),
    ("closed", AlertState::Closed),
];

/// What happened to an alert.
pub(crate) const ALERT_CHANGES: Words<AlertChangeKind> = &[
    ("raised", AlertChangeKind::Raised),
    ("updated", AlertChangeKind::Updated),
    ("escalated", AlertChangeKind::Escalated),
    ("acknowledged", AlertChangeKind::Acknowledged),
    ("snoozed", AlertChangeKind::Snoozed),
    ("reopened", AlertChangeKind::Reopened),
    ("closed", AlertChangeKind::Closed),
    ("standing", AlertChangeKind::Present),
];

/// What became of an event.
pub(crate) const DELIVERY_STATES: Words<DeliveryState> = &[
    ("waiting", DeliveryState::Waiting),
    ("arrived", DeliveryState::Arrived),
    ("dead", DeliveryState::Dead),
];

/// When mail is sent.
pub(crate) const MAIL_MODES: Words<MailMode> = &[
    ("at-once", MailMode::Immediate),
    ("digest", MailMode::Digest),
];

/// What somebody is to the network.
pub(crate) const ROLES: Words<Role> = &[
    ("technician", Role::Technician),
    ("site-manager", Role::SiteManager),
    ("support", Role::Support),
    ("quality", Role::Quality),
    ("integration", Role::Integration),
    ("auditor", Role::Auditor),
    ("administrator", Role::Administrator),
];

/// What a program may do.
pub(crate) const PERMISSIONS: Words<Permission> = &[
    ("read", Permission::Read),
    ("record", Permission::Record),
    ("note", Permission::Note),
];

/// Who holds a credential, as it is shown.
pub(crate) const CREDENTIAL_KINDS: Words<CredentialKind> = &[
    ("device", CredentialKind::Device),
    ("person", CredentialKind::Person),
    ("program", CredentialKind::Integration),
];

/// How a credential stands, as it is shown.
pub(crate) const CREDENTIAL_STATES: Words<CredentialState> = &[
    ("active", CredentialState::Active),
    ("ended", CredentialState::Expired),
    ("revoked", CredentialState::Revoked),
];

/// How an enrolment stands, as it is shown.
pub(crate) const ENROLMENT_STATES: Words<EnrolmentState> = &[
    ("waiting", EnrolmentState::Waiting),
    ("used", EnrolmentState::Used),
    ("over", EnrolmentState::Expired),
    ("revoked", EnrolmentState::Revoked),
    ("locked", EnrolmentState::Locked),
];

/// How a firing ended.
pub(crate) const FIRING_OUTCOMES: Words<FiringOutcome> = &[
    ("completed", FiringOutcome::Completed),
    ("aborted", FiringOutcome::Aborted),
    ("power-lost", FiringOutcome::PowerLost),
];

/// What a laboratory decides about exposed cases.
pub(crate) const EXPOSURE_OUTCOMES: Words<ExposureOutcome> = &[
    ("no-action", ExposureOutcome::NoAction),
    ("concession", ExposureOutcome::UseAsIsConcession),
    ("rework", ExposureOutcome::ReworkByInstruction),
    ("remake", ExposureOutcome::Remake),
    ("inform-prescriber", ExposureOutcome::InformPrescriber),
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
