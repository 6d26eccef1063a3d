//! Names of another site inside a message that is addressed to the caller's own.

use prost::Message as _;
use ringtrue_proto::v1;

use super::{is_meant, leaks};
use crate::scene::{At, Scene};

/// Who, which call, and a message whose names are of the caller's own site but for `{there…}`.
const ATTEMPTS: &[(&str, &str, &str)] = &[
    (
        "technician",
        "ReadingService/RecordReading",
        r#"{"parent":"{furnace}","reading":{"programme":"{there_programme}","fire_time":"{fired}",
            "measure_time":"{now}","purpose":"READING_PURPOSE_ROUTINE","performed_by":"t1",
            "answered_questions":{answers},"rings":{"ring_batch":"{batch}","gauge":"{gauge}","zero_mm":0,
            "ring_temperature_c":22,"rings":[{"position":"centre","diameters_mm":[19.470,19.468,19.472]}]}}}"#,
    ),
    (
        "technician",
        "ReadingService/RecordReading",
        r#"{"parent":"{furnace}","reading":{"programme":"{programme}","fire_time":"{fired}",
            "measure_time":"{now}","purpose":"READING_PURPOSE_ROUTINE","performed_by":"t1",
            "answered_questions":{answers},"rings":{"ring_batch":"{batch}","gauge":"{there_gauge}","zero_mm":0,
            "ring_temperature_c":22,"rings":[{"position":"centre","diameters_mm":[19.470,19.468,19.472]}]}}}"#,
    ),
    (
        "support",
        "ReadingService/RecordReading",
        r#"{"parent":"{furnace}","validate_only":true,"reading":{"programme":"{there_programme}",
            "fire_time":"{fired}","measure_time":"{now}","purpose":"READING_PURPOSE_ROUTINE","performed_by":"t1",
            "rings":{"ring_batch":"{batch}","gauge":"{there_gauge}","zero_mm":0,
            "ring_temperature_c":22,"rings":[{"position":"centre","diameters_mm":[19.470,19.468,19.472]}]}}}"#,
    ),
    (
        "technician",
        "ReadingService/AmendReading",
        r#"{"name":"{mistaken}","reason":"Another gauge.","reading":{"programme":"{programme}",
            "fire_time":"{fired_then}","measure_time":"{measured_then}","purpose":"READING_PURPOSE_ROUTINE",
            "performed_by":"t1","answered_questions":{answers},"rings":{"ring_batch":"{batch}",
            "gauge":"{there_gauge}","zero_mm":0,"ring_temperature_c":22,
            "rings":[{"position":"centre","diameters_mm":[19.480,19.478,19.482]}]}}}"#,
    ),
    (
        "technician",
        "ReadingService/AmendReading",
        r#"{"name":"{mistaken}","reason":"Another one.","reading":{"name":"{there_reading}",
            "amends":"{there_reading}","programme":"{there_programme}","fire_time":"{fired_then}",
            "measure_time":"{measured_then}","purpose":"READING_PURPOSE_ROUTINE","performed_by":"t1",
            "rings":{"ring_batch":"{batch}","gauge":"{gauge}","zero_mm":0,"ring_temperature_c":22,
            "rings":[{"position":"centre","diameters_mm":[19.480,19.478,19.482]}]}}}"#,
    ),
    (
        "technician",
        "AdjustmentService/ConfirmAdjustment",
        r#"{"parent":"{furnace}","adjustment":{"programme":"{there_programme}","setpoint_c":1499,
            "adjust_time":"{now}","performed_by":"t1"}}"#,
    ),
    (
        "technician",
        "AdjustmentService/ConfirmAdjustment",
        r#"{"parent":"{furnace}","adjustment":{"programme":"{programme}","reading":"{there_reading}",
            "setpoint_c":1499,"adjust_time":"{now}","performed_by":"t1"}}"#,
    ),
    (
        "technician",
        "CareService/RecordCareAct",
        r#"{"parent":"{site}","act":{"kind":"CARE_ACT_KIND_DONE","task":"TASK_KIND_PURGE_FIRING",
            "subject":"{there_furnace}","act_time":"{now}","performed_by":"t1","chamber_was_empty":true}}"#,
    ),
    (
        "technician",
        "CareService/ListCareActs",
        r#"{"parent":"{site}","subject":"{there_furnace}"}"#,
    ),
    (
        "technician",
        "CareService/ListDueTasks",
        r#"{"parent":"{site}","subject":"{there_furnace}","all":true}"#,
    ),
    (
        "technician",
        "CareService/ListDueTasks",
        r#"{"parent":"sites/-","subject":"{there_furnace}","all":true}"#,
    ),
    (
        "technician",
        "CareService/CheckUse",
        r#"{"furnace":"{furnace}","programme":"{there_programme}"}"#,
    ),
    (
        "technician",
        "FleetService/ListFindings",
        r#"{"parent":"{site}","subject":"{there_furnace}"}"#,
    ),
    (
        "technician",
        "FleetService/ListFindings",
        r#"{"parent":"sites/-","subject":"{there_furnace}"}"#,
    ),
    (
        "technician",
        "FleetService/ListFurnaceStandings",
        r#"{"parent":"sites/-","search":"xylophone"}"#,
    ),
    (
        "site manager",
        "AuditService/ListAuditEntries",
        r#"{"parent":"{site}","subject":"{there_furnace}"}"#,
    ),
    (
        "site manager",
        "FurnaceService/CreateFurnace",
        r#"{"parent":"{site}","furnace_id":"{new}","furnace":{"name":"{there_site}/furnaces/k8",
            "display_name":"K8","maximum_setpoint_c":1650,"state":"FURNACE_STATE_IN_USE",
            "heating_element":"HEATING_ELEMENT_MOLYBDENUM_DISILICIDE",
            "control_thermocouple":"THERMOCOUPLE_TYPE_B"}}"#,
    ),
    (
        "site manager",
        "AccessService/CreateEnrolment",
        r#"{"enrolment":{"name":"{there_enrolment}","credential":{"display_name":"Both",
            "kind":"CREDENTIAL_KIND_DEVICE","grant":{"role":"ROLE_TECHNICIAN",
            "sites":["{site}","{there_site}"]}}}}"#,
    ),
    (
        "site manager",
        "AccessService/CreateEnrolment",
        r#"{"enrolment":{"credential":{"display_name":"Group","kind":"CREDENTIAL_KIND_DEVICE",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["{site}"],"site_groups":["{group}"]}}}}"#,
    ),
    (
        "site manager",
        "AccessService/CreateCredential",
        r#"{"credential":{"display_name":"More","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["{there_site}"]}}}"#,
    ),
    // The roles of those who keep the network do not come by naming a site.
    (
        "site manager",
        "AccessService/CreateCredential",
        r#"{"credential":{"display_name":"More","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_QUALITY","sites":["{site}"]}}}"#,
    ),
    (
        "site manager",
        "AccessService/CreateCredential",
        r#"{"credential":{"display_name":"More","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_ADMINISTRATOR","sites":["{site}"],"whole_network":true}}}"#,
    ),
    (
        "site manager",
        "AccessService/CreateCredential",
        r#"{"credential":{"display_name":"More","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["{site}"],"permissions":["PERMISSION_RECORD"]}}}"#,
    ),
    (
        "quality",
        "AccessService/CreateCredential",
        r#"{"credential":{"display_name":"More","kind":"CREDENTIAL_KIND_PERSON","person":"new-1",
            "grant":{"role":"ROLE_TECHNICIAN","sites":["{site}"]}}}"#,
    ),
    (
        "site manager",
        "AccessService/SetSiteGroup",
        r#"{"site_group":{"name":"{group}","display_name":"Ours","sites":["{site}"]}}"#,
    ),
];

#[tokio::test]
async fn a_foreign_name_inside_a_message_gets_nobody_anything() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    let mut faults = Vec::new();
    for (who, call, ask) in ATTEMPTS {
        // Existing or not: what is refused must be refused alike, or it tells what there is.
        let mut refusals = Vec::new();
        for at in [At::Foreign, At::ForeignMissing] {
            let mut text = (*ask).to_owned();
            for what in [
                "site",
                "furnace",
                "programme",
                "gauge",
                "reading",
                "enrolment",
            ] {
                let place = format!("{{there_{what}}}");
                if text.contains(&place) {
                    text = text.replace(&place, &scene.name(at, what));
                }
            }
            let text = scene.filled(At::Own, &text);
            match scene.call_as(scene.caller(who), call, &text).await {
                Ok(answer) if leaks(&answer) => faults.push(format!("{call} shows: {text}")),
                Ok(_) => refusals.push("done".to_owned()),
                Err(status) if is_meant(&status) => {
                    refusals.push(format!("{:?}", status.code()));
                }
                Err(status) => faults.push(format!("{call}: {status}: {text}")),
            }
        }
        refusals.dedup();
        if refusals.len() > 1 {
            faults.push(format!("{call} tells what there is: {refusals:?}: {ask}"));
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    // A furnace was added twice, where the requests were addressed to and under the ids that they gave.
    assert_eq!(scene.on_record().await, before + 2);
    let furnaces = scene.call_as(
        scene.caller("quality"),
        "FurnaceService/ListFurnaces",
        r#"{"parent":"sites/south"}"#,
    );
    let furnaces = v1::ListFurnacesResponse::decode(furnaces.await.expect("listed").as_slice());
    assert_eq!(furnaces.expect("an answer").furnaces.len(), 1);
    scene.network.stop().await;
}

#[tokio::test]
async fn what_belongs_to_two_sites_is_not_put_together_by_those_who_reach_both() {
    let scene = Scene::set().await;
    let before = scene.on_record().await;
    for (_, call, ask) in ATTEMPTS.iter().filter(|(who, ..)| *who == "technician") {
        let is_change = ["Record", "Amend", "Confirm"]
            .iter()
            .any(|verb| call.contains(verb));
        if !is_change {
            continue;
        }
        let mut text = (*ask).to_owned();
        for what in ["furnace", "programme", "gauge", "reading"] {
            text = text.replace(&format!("{{there_{what}}}"), &scene.name(At::Foreign, what));
        }
        let text = scene.filled(At::Own, &text);
        let refused = scene.call_as(scene.caller("quality"), call, &text).await;
        let status = refused.expect_err("of two sites");
        assert!(is_meant(&status), "{call}: {status}");
    }
    assert_eq!(scene.on_record().await, before);
    scene.network.stop().await;
}
