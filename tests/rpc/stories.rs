//! Every call of the protocol has a story: a test here that makes it.

use std::collections::BTreeSet;

use crate::bad_requests::calls;

/// Calls with the file and the test that tells their story.
const STORIES: [(&str, &str, &str); 66] = [
    (
        "SiteService/CreateSite",
        SITES,
        "a_site_is_added_with_the_stated_defaults_looked_up_and_listed",
    ),
    (
        "SiteService/GetSite",
        SITES,
        "a_site_is_added_with_the_stated_defaults_looked_up_and_listed",
    ),
    (
        "SiteService/ListSites",
        SITES,
        "a_site_is_added_with_the_stated_defaults_looked_up_and_listed",
    ),
    (
        "SiteService/UpdateSite",
        SITES,
        "new_rules_hold_for_later_readings_and_leave_earlier_ones_alone",
    ),
    (
        "FurnaceService/CreateFurnace",
        FURNACES,
        "a_furnace_is_added_looked_up_listed_and_changed",
    ),
    (
        "FurnaceService/GetFurnace",
        FURNACES,
        "a_furnace_is_added_looked_up_listed_and_changed",
    ),
    (
        "FurnaceService/ListFurnaces",
        FURNACES,
        "a_furnace_is_added_looked_up_listed_and_changed",
    ),
    (
        "FurnaceService/UpdateFurnace",
        FURNACES,
        "a_furnace_is_added_looked_up_listed_and_changed",
    ),
    (
        "FurnaceService/RecordFurnaceEvent",
        FURNACES,
        "events_are_kept_and_listed_latest_first",
    ),
    (
        "FurnaceService/ListFurnaceEvents",
        FURNACES,
        "events_are_kept_and_listed_latest_first",
    ),
    (
        "ProgrammeService/CreateProgramme",
        PROGRAMMES,
        "a_programme_is_added_looked_up_and_listed",
    ),
    (
        "ProgrammeService/GetProgramme",
        PROGRAMMES,
        "a_programme_is_added_looked_up_and_listed",
    ),
    (
        "ProgrammeService/ListProgrammes",
        PROGRAMMES,
        "a_programme_is_added_looked_up_and_listed",
    ),
    (
        "ProgrammeService/UpdateProgramme",
        PROGRAMMES,
        "tuning_the_shade_moves_the_target_and_leaves_the_offset_alone",
    ),
    (
        "RingBatchService/CreateRingBatch",
        BATCHES,
        "a_batch_from_a_file_shows_what_was_read",
    ),
    (
        "RingBatchService/GetRingBatch",
        BATCHES,
        "a_batch_from_a_file_shows_what_was_read",
    ),
    (
        "RingBatchService/ListRingBatches",
        BATCHES,
        "a_batch_from_a_file_shows_what_was_read",
    ),
    (
        "RingBatchService/AddRingTable",
        BATCHES,
        "a_table_for_another_hold_is_added_and_none_is_ever_changed",
    ),
    (
        "RingBatchService/SetRingBatchState",
        BATCHES,
        "a_batch_on_hold_is_released_again_and_a_withdrawn_one_never",
    ),
    (
        "GaugeService/CreateGauge",
        GAUGES,
        "a_gauge_is_added_looked_up_listed_and_changed",
    ),
    (
        "GaugeService/GetGauge",
        GAUGES,
        "a_gauge_is_added_looked_up_listed_and_changed",
    ),
    (
        "GaugeService/ListGauges",
        GAUGES,
        "a_gauge_is_added_looked_up_listed_and_changed",
    ),
    (
        "GaugeService/UpdateGauge",
        GAUGES,
        "a_gauge_is_added_looked_up_listed_and_changed",
    ),
    (
        "GaugeService/RecordGaugeCheck",
        GAUGES,
        "a_check_finds_the_bias_and_takes_it_out_of_readings_that_follow",
    ),
    (
        "GaugeService/ListGaugeChecks",
        GAUGES,
        "a_check_finds_the_bias_and_takes_it_out_of_readings_that_follow",
    ),
    (
        "ReadingService/RecordReading",
        READINGS,
        "the_first_reading_of_a_furnace_advises_the_plain_setpoint",
    ),
    (
        "ReadingService/GetReading",
        READINGS,
        "the_first_reading_of_a_furnace_advises_the_plain_setpoint",
    ),
    (
        "ReadingService/ListReadings",
        READINGS,
        "pages_of_readings_follow_each_other_without_gap_or_repeat",
    ),
    (
        "ReadingService/AmendReading",
        READINGS,
        "an_amended_reading_keeps_both_versions_and_works_the_offset_out_again",
    ),
    (
        "AdjustmentService/ConfirmAdjustment",
        ADJUSTMENTS,
        "a_confirmed_adjustment_is_the_programmes_setpoint_from_then_on",
    ),
    (
        "AdjustmentService/GetAdjustment",
        ADJUSTMENTS,
        "a_confirmed_adjustment_is_the_programmes_setpoint_from_then_on",
    ),
    (
        "AdjustmentService/ListAdjustments",
        ADJUSTMENTS,
        "a_confirmed_adjustment_is_the_programmes_setpoint_from_then_on",
    ),
    (
        "FleetService/GetFleetOverview",
        FLEET,
        "the_overview_counts_furnaces_and_names_the_fit_that_it_rests_on",
    ),
    (
        "FleetService/ListFurnaceStandings",
        STANDINGS,
        "the_most_pressing_furnace_is_listed_first",
    ),
    (
        "FleetService/GetFurnaceHistory",
        HISTORIES,
        "a_history_shows_readings_events_adjustments_and_what_is_expected",
    ),
    (
        "FleetService/GetFurnaceCharts",
        HISTORIES,
        "control_charts_hold_every_reading_that_something_was_expected_of",
    ),
    (
        "FleetService/ListBatchEffects",
        FLEET,
        "what_is_known_of_batches_grows_with_the_sites_that_use_them",
    ),
    (
        "FleetService/ListGaugeEffects",
        FLEET,
        "a_gauges_bias_is_what_its_check_found_and_every_page_follows",
    ),
    (
        "FleetService/GetFinding",
        FINDINGS,
        "a_finding_is_looked_up_acknowledged_and_resolved",
    ),
    (
        "FleetService/ListFindings",
        FINDINGS,
        "findings_are_listed_the_most_probable_first_page_by_page",
    ),
    (
        "FleetService/AcknowledgeFinding",
        FINDINGS,
        "a_finding_is_looked_up_acknowledged_and_resolved",
    ),
    (
        "FleetService/ResolveFinding",
        FINDINGS,
        "a_finding_is_looked_up_acknowledged_and_resolved",
    ),
    (
        "DeliveryService/CreateMailSubscription",
        DELIVERIES,
        "a_mail_subscription_is_made_listed_and_deleted",
    ),
    (
        "DeliveryService/ListMailSubscriptions",
        DELIVERIES,
        "a_mail_subscription_is_made_listed_and_deleted",
    ),
    (
        "DeliveryService/DeleteMailSubscription",
        DELIVERIES,
        "a_mail_subscription_is_made_listed_and_deleted",
    ),
    (
        "DeliveryService/CreateCalendarFeed",
        DELIVERIES,
        "a_calendar_feed_is_made_listed_and_revoked",
    ),
    (
        "DeliveryService/ListCalendarFeeds",
        DELIVERIES,
        "a_calendar_feed_is_made_listed_and_revoked",
    ),
    (
        "DeliveryService/DeleteCalendarFeed",
        DELIVERIES,
        "a_calendar_feed_is_made_listed_and_revoked",
    ),
    (
        "ScheduleService/SetScheduleRule",
        SCHEDULES,
        "the_nearest_rule_holds_and_taken_away_the_next_one_does",
    ),
    (
        "ScheduleService/GetScheduleRule",
        SCHEDULES,
        "the_nearest_rule_holds_and_taken_away_the_next_one_does",
    ),
    (
        "ScheduleService/ListScheduleRules",
        SCHEDULES,
        "a_place_lists_one_rule_for_each_of_its_tasks",
    ),
    (
        "ScheduleService/RemoveScheduleRule",
        SCHEDULES,
        "the_nearest_rule_holds_and_taken_away_the_next_one_does",
    ),
    (
        "CareService/ListDueTasks",
        CARE,
        "what_is_due_is_listed_soonest_first_page_by_page",
    ),
    (
        "CareService/CheckUse",
        CARE,
        "a_furnace_is_fit_once_calibrated_and_unfit_when_grace_is_used_up",
    ),
    (
        "CareService/RecordCareAct",
        CARE,
        "care_that_was_done_left_out_or_put_off_moves_its_due_date",
    ),
    (
        "CareService/ListCareActs",
        CARE,
        "care_that_was_done_left_out_or_put_off_moves_its_due_date",
    ),
    (
        "AlertService/GetAlert",
        ALERTS,
        "a_due_calibration_is_alerted_once_rises_and_closes_with_its_reading",
    ),
    (
        "AlertService/ListAlerts",
        ALERTS,
        "alerts_are_listed_the_most_pressing_first_page_by_page",
    ),
    (
        "AlertService/AcknowledgeAlert",
        ALERTS,
        "an_alert_that_was_seen_stays_open_until_mended_and_opens_again_when_late",
    ),
    (
        "AlertService/SnoozeAlert",
        ALERTS,
        "an_alert_rests_a_day_at_most_twice_at_most_and_never_past_grace",
    ),
    (
        "AlertService/WatchAlerts",
        STREAM,
        "a_stream_begins_with_what_stands_open_and_goes_on_with_what_happens",
    ),
    (
        "OperationsService/ListBackgroundWork",
        CARE,
        "background_work_is_listed_with_what_waits",
    ),
    (
        "SignOffService/SignOff",
        SIGN_OFFS,
        "a_second_person_signs_what_waits_and_the_signature_says_who_when_and_what",
    ),
    (
        "SignOffService/ListSignOffs",
        SIGN_OFFS,
        "a_second_person_signs_what_waits_and_the_signature_says_who_when_and_what",
    ),
    (
        "SignOffService/ListAwaitedSignOffs",
        SIGN_OFFS,
        "a_second_person_signs_what_waits_and_the_signature_says_who_when_and_what",
    ),
    (
        "SignOffService/SetSigningPhrase",
        SIGN_OFFS,
        "a_phrase_is_changed_only_with_the_one_before_and_that_none_is_set_is_not_told",
    ),
];

const SIGN_OFFS: &str = include_str!("sign_offs.rs");
const DELIVERIES: &str = include_str!("deliveries.rs");
const SCHEDULES: &str = include_str!("schedules.rs");
const CARE: &str = include_str!("care.rs");
const ALERTS: &str = include_str!("alerts.rs");
const STREAM: &str = include_str!("alerts/stream.rs");
const FLEET: &str = include_str!("fleet.rs");
const STANDINGS: &str = include_str!("fleet/standings.rs");
const HISTORIES: &str = include_str!("fleet/histories.rs");
const FINDINGS: &str = include_str!("fleet/findings.rs");
const SITES: &str = include_str!("sites.rs");
const FURNACES: &str = include_str!("furnaces.rs");
const PROGRAMMES: &str = include_str!("programmes.rs");
const BATCHES: &str = include_str!("ring_batches.rs");
const GAUGES: &str = include_str!("gauges.rs");
const READINGS: &str = include_str!("readings.rs");
const ADJUSTMENTS: &str = include_str!("adjustments.rs");

#[test]
fn every_call_of_the_protocol_has_a_story() {
    let wanted: BTreeSet<String> = calls().into_iter().collect();
    let told: BTreeSet<String> = STORIES
        .iter()
        .map(|(call, _, _)| format!("/ringtrue.v1.{call}"))
        .collect();
    assert_eq!(told, wanted);
    assert_eq!(told.len(), STORIES.len(), "a call is listed twice");
}

#[test]
fn every_story_is_there_to_be_run() {
    for (call, file, test) in STORIES {
        let head = format!("#[tokio::test]\nasync fn {test}() {{");
        assert!(file.contains(&head), "{call}: there is no test {test}");
    }
}
