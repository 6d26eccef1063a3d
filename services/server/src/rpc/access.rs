//! Which right each call needs: the one table of access.
//!
//! A method takes its right from this table when the program is compiled, so a method that is not
//! in the table does not compile; a test compares the table with the protocol.

use ringtrue_fleet::caller::Right;

/// Every call of the protocol with the right it needs.
pub(crate) const ACCESS: &[(&str, Right)] = &[
    ("/ringtrue.v1.SiteService/CreateSite", Right::Configure),
    ("/ringtrue.v1.SiteService/GetSite", Right::Read),
    ("/ringtrue.v1.SiteService/ListSites", Right::Read),
    ("/ringtrue.v1.SiteService/UpdateSite", Right::Configure),
    (
        "/ringtrue.v1.FurnaceService/CreateFurnace",
        Right::Configure,
    ),
    ("/ringtrue.v1.FurnaceService/GetFurnace", Right::Read),
    ("/ringtrue.v1.FurnaceService/ListFurnaces", Right::Read),
    (
        "/ringtrue.v1.FurnaceService/UpdateFurnace",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.FurnaceService/RecordFurnaceEvent",
        Right::Record,
    ),
    ("/ringtrue.v1.FurnaceService/ListFurnaceEvents", Right::Read),
    (
        "/ringtrue.v1.ProgrammeService/CreateProgramme",
        Right::Configure,
    ),
    ("/ringtrue.v1.ProgrammeService/GetProgramme", Right::Read),
    ("/ringtrue.v1.ProgrammeService/ListProgrammes", Right::Read),
    (
        "/ringtrue.v1.ProgrammeService/UpdateProgramme",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.RingBatchService/CreateRingBatch",
        Right::KeepBatches,
    ),
    ("/ringtrue.v1.RingBatchService/GetRingBatch", Right::Read),
    ("/ringtrue.v1.RingBatchService/ListRingBatches", Right::Read),
    (
        "/ringtrue.v1.RingBatchService/AddRingTable",
        Right::KeepBatches,
    ),
    (
        "/ringtrue.v1.RingBatchService/SetRingBatchState",
        Right::KeepBatches,
    ),
    ("/ringtrue.v1.GaugeService/CreateGauge", Right::Configure),
    ("/ringtrue.v1.GaugeService/GetGauge", Right::Read),
    ("/ringtrue.v1.GaugeService/ListGauges", Right::Read),
    ("/ringtrue.v1.GaugeService/UpdateGauge", Right::Configure),
    ("/ringtrue.v1.GaugeService/RecordGaugeCheck", Right::Record),
    ("/ringtrue.v1.GaugeService/ListGaugeChecks", Right::Read),
    ("/ringtrue.v1.ReadingService/RecordReading", Right::Record),
    ("/ringtrue.v1.ReadingService/GetReading", Right::Read),
    ("/ringtrue.v1.ReadingService/ListReadings", Right::Read),
    ("/ringtrue.v1.ReadingService/AmendReading", Right::Record),
    (
        "/ringtrue.v1.AdjustmentService/ConfirmAdjustment",
        Right::Record,
    ),
    ("/ringtrue.v1.AdjustmentService/GetAdjustment", Right::Read),
    (
        "/ringtrue.v1.AdjustmentService/ListAdjustments",
        Right::Read,
    ),
    ("/ringtrue.v1.FiringService/ReportFirings", Right::Record),
    (
        "/ringtrue.v1.FiringService/ReportFiringStream",
        Right::Record,
    ),
    ("/ringtrue.v1.FiringService/GetFiring", Right::Read),
    ("/ringtrue.v1.FiringService/ListFirings", Right::Read),
    ("/ringtrue.v1.FiringService/AmendFiring", Right::Record),
    ("/ringtrue.v1.ExposureService/AssessExposure", Right::Read),
    (
        "/ringtrue.v1.ExposureService/RecordExposureDecision",
        Right::Record,
    ),
    (
        "/ringtrue.v1.ExposureService/GetExposureDecision",
        Right::Read,
    ),
    (
        "/ringtrue.v1.ExposureService/ListExposureDecisions",
        Right::Read,
    ),
    ("/ringtrue.v1.FleetService/GetFleetOverview", Right::Read),
    (
        "/ringtrue.v1.FleetService/ListFurnaceStandings",
        Right::Read,
    ),
    ("/ringtrue.v1.FleetService/GetFurnaceHistory", Right::Read),
    ("/ringtrue.v1.FleetService/GetFurnaceCharts", Right::Read),
    ("/ringtrue.v1.FleetService/ListBatchEffects", Right::Read),
    ("/ringtrue.v1.FleetService/ListGaugeEffects", Right::Read),
    ("/ringtrue.v1.FleetService/GetFinding", Right::Read),
    ("/ringtrue.v1.FleetService/ListFindings", Right::Read),
    ("/ringtrue.v1.FleetService/AcknowledgeFinding", Right::Note),
    ("/ringtrue.v1.FleetService/ResolveFinding", Right::Note),
    (
        "/ringtrue.v1.ScheduleService/SetScheduleRule",
        Right::Configure,
    ),
    ("/ringtrue.v1.ScheduleService/GetScheduleRule", Right::Read),
    (
        "/ringtrue.v1.ScheduleService/ListScheduleRules",
        Right::Read,
    ),
    (
        "/ringtrue.v1.ScheduleService/RemoveScheduleRule",
        Right::Configure,
    ),
    ("/ringtrue.v1.CareService/ListDueTasks", Right::Read),
    ("/ringtrue.v1.CareService/CheckUse", Right::Read),
    ("/ringtrue.v1.CareService/RecordCareAct", Right::Record),
    ("/ringtrue.v1.CareService/ListCareActs", Right::Read),
    ("/ringtrue.v1.AlertService/GetAlert", Right::Read),
    ("/ringtrue.v1.AlertService/ListAlerts", Right::Read),
    ("/ringtrue.v1.AlertService/AcknowledgeAlert", Right::Note),
    ("/ringtrue.v1.AlertService/SnoozeAlert", Right::Note),
    ("/ringtrue.v1.AlertService/WatchAlerts", Right::Read),
    ("/ringtrue.v1.ChangeService/ListChanges", Right::Read),
    ("/ringtrue.v1.ChangeService/WatchChanges", Right::Read),
    (
        "/ringtrue.v1.WebhookService/CreateWebhook",
        Right::Configure,
    ),
    ("/ringtrue.v1.WebhookService/GetWebhook", Right::Read),
    ("/ringtrue.v1.WebhookService/ListWebhooks", Right::Read),
    (
        "/ringtrue.v1.WebhookService/UpdateWebhook",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.WebhookService/DeleteWebhook",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.WebhookService/RotateWebhookSecret",
        Right::Configure,
    ),
    ("/ringtrue.v1.WebhookService/TestWebhook", Right::Configure),
    (
        "/ringtrue.v1.WebhookService/ListWebhookDeliveries",
        Right::Read,
    ),
    (
        "/ringtrue.v1.WebhookService/ReplayDeliveries",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.OperationsService/ListBackgroundWork",
        Right::Read,
    ),
    (
        "/ringtrue.v1.DeliveryService/CreateMailSubscription",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.DeliveryService/ListMailSubscriptions",
        Right::Read,
    ),
    (
        "/ringtrue.v1.DeliveryService/DeleteMailSubscription",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.DeliveryService/CreateCalendarFeed",
        Right::Configure,
    ),
    (
        "/ringtrue.v1.DeliveryService/ListCalendarFeeds",
        Right::Read,
    ),
    (
        "/ringtrue.v1.DeliveryService/DeleteCalendarFeed",
        Right::Configure,
    ),
    ("/ringtrue.v1.AccessService/WhoAmI", Right::BeKnown),
    (
        "/ringtrue.v1.AccessService/CreateEnrolment",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/ListEnrolments",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/RevokeEnrolment",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/CreateCredential",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/GetCredential",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/ListCredentials",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/RotateCredential",
        Right::BeKnown,
    ),
    (
        "/ringtrue.v1.AccessService/RevokeCredential",
        Right::GrantAccess,
    ),
    (
        "/ringtrue.v1.AccessService/SetSiteGroup",
        Right::GrantAccess,
    ),
    ("/ringtrue.v1.AccessService/ListSiteGroups", Right::Read),
    (
        "/ringtrue.v1.AccessService/RemoveSiteGroup",
        Right::GrantAccess,
    ),
    ("/ringtrue.v1.AuditService/ListAuditEntries", Right::Audit),
    (
        "/ringtrue.v1.AuditService/ListAuditCheckpoints",
        Right::Audit,
    ),
    ("/ringtrue.v1.SignOffService/SignOff", Right::Sign),
    ("/ringtrue.v1.SignOffService/ListSignOffs", Right::Read),
    (
        "/ringtrue.v1.SignOffService/ListAwaitedSignOffs",
        Right::Read,
    ),
    ("/ringtrue.v1.SignOffService/SetSigningPhrase", Right::Sign),
];

/// What a caller needs who only tries out what another call records (`validate_only`).
pub(crate) const TRYING: Right = Right::Note;

/// Calls that are open to everybody: nobody has a credential before they enrol.
pub(crate) const OPEN: &[&str] = &["/ringtrue.v1.AccessService/Enrol"];

/// A call of the protocol with the right it needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Method {
    /// Its full path, `/{package}.{service}/{method}`.
    pub(crate) path: &'static str,
    /// What its caller must be allowed to do.
    pub(crate) right: Right,
}

impl Method {
    /// The same call, only tried out: nothing is recorded.
    pub(crate) const fn tried(self) -> Self {
        Self {
            path: self.path,
            right: TRYING,
        }
    }
}

/// Gives a call by its path; meant for constants, where a path that is not in the table does not
/// compile.
pub(crate) const fn method(path: &'static str) -> Method {
    let mut at = 0;
    while at < ACCESS.len() {
        let (known, right) = ACCESS[at];
        if same(known.as_bytes(), path.as_bytes()) {
            return Method { path: known, right };
        }
        at += 1;
    }
    panic!("this method is not in the table of access")
}

const fn same(one: &[u8], other: &[u8]) -> bool {
    if one.len() != other.len() {
        return false;
    }
    let mut at = 0;
    while at < one.len() {
        if one[at] != other[at] {
            return false;
        }
        at += 1;
    }
    true
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use prost::Message as _;
    use prost_types::FileDescriptorSet;

    use super::*;

    fn methods_of_the_protocol() -> BTreeSet<String> {
        let files = FileDescriptorSet::decode(ringtrue_proto::DESCRIPTORS)
            .expect("the descriptors were compiled with this program");
        let mut paths = BTreeSet::new();
        for file in &files.file {
            for service in &file.service {
                for method in &service.method {
                    let path = format!("/{}.{}/{}", file.package(), service.name(), method.name());
                    paths.insert(path);
                }
            }
        }
        paths
    }

    #[test]
    fn every_method_of_the_protocol_has_a_right_and_nothing_else_has_one() {
        let wanted = methods_of_the_protocol();
        let rows = ACCESS.iter().map(|(path, _)| *path);
        let listed: BTreeSet<String> = rows
            .chain(OPEN.iter().copied())
            .map(str::to_owned)
            .collect();
        assert!(
            wanted.len() > 30,
            "the protocol has only {} methods",
            wanted.len()
        );
        assert_eq!(listed, wanted);
        assert_eq!(
            listed.len(),
            ACCESS.len() + OPEN.len(),
            "a method is listed twice"
        );
    }

    #[test]
    fn what_only_looks_changes_nothing_and_what_changes_something_is_no_mere_reading() {
        for (path, right) in ACCESS {
            let name = path.rsplit('/').next().unwrap_or_default();
            let looks = ["Get", "List", "Check", "Watch", "Who", "Assess"]
                .iter()
                .any(|verb| name.starts_with(verb));
            if looks {
                assert!(
                    !matches!(
                        right,
                        Right::Record | Right::Note | Right::Configure | Right::Sign
                    ),
                    "{path}"
                );
            } else {
                assert_ne!(*right, Right::Read, "{path}");
            }
        }
    }

    #[test]
    fn a_method_is_found_by_its_whole_path() {
        let found = method("/ringtrue.v1.SiteService/UpdateSite");
        assert_eq!(found.right, Right::Configure);
        assert_eq!(found.path, "/ringtrue.v1.SiteService/UpdateSite");
    }
}
