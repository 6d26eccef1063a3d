//! Production firings and what was decided about exposed ones: kept as reported, found by every key,
//! amended and never erased.

use jiff::civil::date;
use ringtrue_fleet::act::Use;
use ringtrue_fleet::caller::Right;
use ringtrue_fleet::exposure::{Decision, DecisionDetails, DecisionOutcome};
use ringtrue_fleet::firing::{Case, Firing, FiringDetails, Outcome, RecordedSegment};
use ringtrue_fleet::key::{DecisionId, DecisionKey, FiringId, FiringKey, ReportId};
use ringtrue_store::{Error, FiringFilter, KeptFiring, Page, PagePart, Request};
use uuid::Uuid;

use crate::laboratory::{Laboratory, moment, only_at, request};

/// A firing that ended some hours after the first, with a case of its own and one that is in every firing.
pub(crate) fn firing(lab: &Laboratory, hours: i64, report: &str) -> Firing {
    let ended_at = moment(hours);
    // As the server makes ids: the millisecond of the end first.
    let millis = u128::try_from(ended_at.as_millisecond()).expect("after 1970");
    let id = Uuid::from_u128((millis << 80) | 7);
    Firing {
        key: FiringKey {
            furnace: lab.furnace.clone(),
            firing: FiringId::from_uuid(id),
        },
        details: FiringDetails {
            external_id: format!("L-{hours}"),
            programme: Some(lab.programme.clone()),
            setpoint_c: Some(1490.5),
            started_at: Some(moment(hours - 7)),
            ended_at: Some(ended_at),
            hours_hot: None,
            outcome: Some(Outcome::Completed),
            cases: vec![
                Case {
                    case_id: format!("C-{hours}"),
                    units: 3,
                },
                Case {
                    case_id: "C-long-1".to_owned(),
                    units: 0,
                },
            ],
            segments: vec![RecordedSegment {
                indicated_c: 1490.25,
                duration_min: 160.0,
            }],
            performed_by: "t1".to_owned(),
            note: "two trays".to_owned(),
        },
        report: ReportId::new(report).expect("an id"),
        place: 0,
        setpoint_c: 1490.5,
        target_c: 1500.0,
        hours_hot: 2.1,
        ended_on: ended_at
            .to_zoned_datetime(jiff::tz::TimeZone::get("Europe/Lisbon").expect("a zone"))
            .date(),
        received_at: moment(hours + 1),
        amends: None,
        amend_reason: String::new(),
    }
}

/// The version that takes another's place, ended an hour later.
fn later_version(before: &Firing, report: &str) -> Firing {
    let ended_at = before.details.ended_at.expect("an end") + jiff::SignedDuration::from_hours(1);
    let millis = u128::try_from(ended_at.as_millisecond()).expect("after 1970");
    Firing {
        key: FiringKey {
            firing: FiringId::from_uuid(Uuid::from_u128((millis << 80) | 8)),
            ..before.key.clone()
        },
        details: FiringDetails {
            ended_at: Some(ended_at),
            ..before.details.clone()
        },
        report: ReportId::new(report).expect("an id"),
        hours_hot: 3.0,
        amends: Some(before.key.firing.clone()),
        amend_reason: "the end was an hour later".to_owned(),
        ..before.clone()
    }
}

fn decision(lab: &Laboratory, id: &str) -> Decision {
    Decision {
        key: DecisionKey {
            furnace: lab.furnace.clone(),
            decision: DecisionId::new(id).expect("an id"),
        },
        details: DecisionDetails {
            start: Some(moment(0)),
            end: Some(moment(60)),
            reading: None,
            case_ids: vec!["C-24".to_owned()],
            outcome: Some(DecisionOutcome::InformPrescriber),
            reason: "reviewed under the lamp".to_owned(),
            decided_by: "q1".to_owned(),
            decided_at: moment(70),
        },
        received_at: moment(71),
    }
}

/// Records three firings, one of them amended, and a decision.
pub(crate) async fn recorded(lab: &Laboratory) -> Vec<Firing> {
    let mut firings = vec![
        firing(lab, 24, "report-1"),
        firing(lab, 48, "report-1"),
        firing(lab, 72, "report-2"),
    ];
    firings[1].place = 1;
    let mut tx = lab.begin().await;
    let report = ReportId::new("report-1").expect("an id");
    tx.insert_firings(
        &lab.site,
        &report,
        &[&firings[0], &firings[1]],
        &request(51),
    )
    .await
    .expect("two firings");
    let report = ReportId::new("report-2").expect("an id");
    tx.insert_firings(&lab.site, &report, &[&firings[2]], &request(52))
        .await
        .expect("a firing");
    tx.insert_exposure_decision(&decision(lab, "d1"), &request(53))
        .await
        .expect("a decision");
    let amended = later_version(&firings[2], "report-3");
    tx.uncount_firing(&firings[2]).await.expect("uncounted");
    tx.insert_firings(&lab.site, &amended.report, &[&amended], &request(54))
        .await
        .expect("an amendment");
    tx.commit().await.expect("committed");
    firings.push(amended);
    firings
}

fn ids(found: &[KeptFiring]) -> Vec<&str> {
    found
        .iter()
        .map(|kept| kept.firing.key.firing.as_str())
        .collect()
}

const ALL: Page = Page {
    size: 100,
    after: Vec::new(),
};

#[tokio::test]
async fn firings_come_back_as_they_were_stored() {
    let lab = Laboratory::furnished().await;
    let firings = recorded(&lab).await;
    let read = lab.read();
    for (at, firing) in firings.iter().enumerate() {
        let kept = read.firing(&firing.key).await.expect("no fault");
        let kept = kept.expect("on record");
        assert_eq!(kept.firing, *firing);
        let amended_by = (at == 2).then(|| firings[3].key.clone());
        assert_eq!(kept.amended_by, amended_by);
    }
    let mut tx = lab.begin().await;
    let kept = tx.firing(&firings[0].key).await.expect("no fault");
    assert_eq!(kept.expect("on record").firing, firings[0]);
    let nowhere = FiringKey {
        firing: FiringId::new("not-a-uuid").expect("an id"),
        ..firings[0].key.clone()
    };
    assert_eq!(tx.firing(&nowhere).await.expect("no fault"), None);
    let first = read.first_firing_at(&lab.furnace).await.expect("no fault");
    assert_eq!(first, Some(moment(24)));
}

#[tokio::test]
async fn firings_are_found_by_time_case_and_the_reporters_id() {
    let lab = Laboratory::furnished().await;
    let firings = recorded(&lab).await;
    let id = |at: usize| firings[at].key.firing.as_str();
    let read = lab.read();
    let found = |filter: FiringFilter| {
        let (read, site) = (read.clone(), lab.site.clone());
        async move { read.firings(&site, &filter, &ALL).await.expect("listed") }
    };
    let all = found(FiringFilter::default()).await;
    assert_eq!(
        ids(&all),
        [id(3), id(1), id(0)],
        "latest first, without what was amended"
    );
    let with_amended = FiringFilter {
        show_amended: true,
        ..FiringFilter::default()
    };
    assert_eq!(
        ids(&found(with_amended).await),
        [id(3), id(2), id(1), id(0)]
    );
    let span = FiringFilter {
        from: Some(moment(24)),
        until: Some(moment(48)),
        ..FiringFilter::default()
    };
    assert_eq!(ids(&found(span).await), [id(0)], "the end is not in it");
    let of_case = |case: &str| FiringFilter {
        case_id: case.to_owned(),
        ..FiringFilter::default()
    };
    assert_eq!(ids(&found(of_case("C-48")).await), [id(1)]);
    assert_eq!(
        ids(&found(of_case("C-long-1")).await),
        [id(3), id(1), id(0)]
    );
    assert_eq!(ids(&found(of_case("C-none-1")).await), Vec::<&str>::new());
    let of_report = |at: usize| FiringFilter {
        report: Some(firings[at].report.clone()),
        show_amended: true,
        ..FiringFilter::default()
    };
    for (at, firing) in firings.iter().enumerate() {
        let came = found(of_report(at)).await;
        let together = firings.iter().filter(|one| one.report == firing.report);
        assert_eq!(came.len(), together.count());
        assert!(ids(&came).contains(&id(at)));
    }
    let known_as = FiringFilter {
        external_id: "L-72".to_owned(),
        ..FiringFilter::default()
    };
    assert_eq!(ids(&found(known_as.clone()).await), [id(3)]);
    let versions = FiringFilter {
        show_amended: true,
        ..known_as
    };
    assert_eq!(ids(&found(versions).await), [id(3), id(2)]);
    let page = Page {
        size: 1,
        after: vec![
            PagePart::Number(moment(73).as_microsecond()),
            PagePart::Text(id(3).to_owned()),
        ],
    };
    let next = read
        .firings(&lab.site, &FiringFilter::default(), &page)
        .await;
    assert_eq!(
        ids(&next.expect("a page")),
        [id(1), id(0)],
        "one more than asked for"
    );
    let within = read
        .firings_within(&lab.furnace, moment(24), moment(73))
        .await
        .expect("listed");
    let within: Vec<&str> = within.iter().map(|one| one.key.firing.as_str()).collect();
    assert_eq!(
        within,
        [id(0), id(1), id(3)],
        "earliest first, both ends in it"
    );
}

#[tokio::test]
async fn firings_of_several_furnaces_come_in_one_order_page_by_page() {
    let lab = Laboratory::furnished().await;
    let report = ReportId::new("report-1").expect("an id");
    let mut tx = lab.begin().await;
    let mut expected = Vec::new();
    for hours in 0..7_i64 {
        let furnace = lab.new_furnace(&format!("k{}", 1 + hours % 3));
        if (1..3).contains(&hours) {
            tx.insert_furnace(&furnace, &Request::NONE)
                .await
                .expect("a furnace");
            let programme = lab.new_programme(furnace.key.furnace.as_str(), "standard");
            tx.insert_programme(&programme, &Request::NONE)
                .await
                .expect("a programme");
        }
        let mut one = firing(&lab, hours, "report-1");
        one.place = i32::try_from(hours).expect("small");
        one.details.programme = Some(
            lab.new_programme(furnace.key.furnace.as_str(), "standard")
                .key,
        );
        one.key.furnace = furnace.key;
        expected.push(one);
    }
    let all: Vec<&Firing> = expected.iter().collect();
    tx.insert_firings(&lab.site, &report, &all, &request(61))
        .await
        .expect("firings");
    tx.commit().await.expect("committed");
    let (read, filter) = (lab.read(), FiringFilter::default());
    let mut seen = Vec::new();
    let mut page = Page {
        size: 2,
        after: Vec::new(),
    };
    loop {
        let found = read.firings(&lab.site, &filter, &page).await;
        let mut found = found.expect("a page");
        let is_last = found.len() <= 2;
        found.truncate(2);
        for kept in found {
            let at = kept.firing.details.ended_at.expect("an end");
            page.after = vec![
                PagePart::Number(at.as_microsecond()),
                PagePart::Text(kept.firing.key.firing.to_string()),
            ];
            seen.push(kept.firing);
        }
        if is_last {
            break;
        }
    }
    expected.reverse();
    assert_eq!(seen, expected);
    let of_one = FiringFilter {
        furnace: Some(expected[0].key.furnace.furnace.clone()),
        ..FiringFilter::default()
    };
    let found = read
        .firings(&lab.site, &of_one, &ALL)
        .await
        .expect("listed");
    let wanted: Vec<&str> = [0, 3, 6]
        .map(|at: usize| expected[at].key.firing.as_str())
        .to_vec();
    assert_eq!(ids(&found), wanted);
}

#[tokio::test]
async fn what_bears_on_a_report_is_told() {
    let lab = Laboratory::furnished().await;
    let firings = recorded(&lab).await;
    let mut tx = lab.begin().await;
    let site = tx.site(&lab.site).await.expect("no fault").expect("a site");
    let mut again = firing(&lab, 30, "report-9").details;
    again.external_id = "L-72".to_owned();
    let known = tx.known_firings(&site, &[&again]).await.expect("known");
    let on_record = known.on_record.get("L-72").expect("on record");
    assert_eq!(on_record.latest, firings[3]);
    assert_eq!(on_record.earlier, [firings[2].clone()]);
    let place = known.places.get(&lab.programme).expect("the programme");
    assert_eq!(place.programme.key, lab.programme);
    // 23 to 30 hours: the first firing ended within, the next one began later.
    let at_work = known.at_work.get(&lab.furnace).expect("at work");
    let others: Vec<&str> = at_work.iter().map(|(_, _, id)| id.as_str()).collect();
    assert_eq!(others, ["L-24"]);
}

#[tokio::test]
async fn a_firing_is_on_record_once() {
    let lab = Laboratory::furnished().await;
    recorded(&lab).await;
    let report = ReportId::new("report-7").expect("an id");
    let again = firing(&lab, 24, "report-7");
    let mut other = firing(&lab, 120, "report-7");
    other.details.external_id = "L-48".to_owned();
    for twice in [again, other] {
        let mut tx = lab.begin().await;
        let refused = tx
            .insert_firings(&lab.site, &report, &[&twice], &Request::NONE)
            .await;
        assert!(matches!(refused, Err(Error::Exists)), "{refused:?}");
    }
    assert_eq!(lab.verified().await.faults, []);
    assert_eq!(lab.verified().await.firings, 4);
}

#[tokio::test]
async fn days_of_use_follow_from_firings() {
    let lab = Laboratory::furnished().await;
    recorded(&lab).await;
    let records = lab
        .read()
        .site_records(std::slice::from_ref(&lab.site))
        .await;
    let records = records.expect("records").remove(0);
    let day = |day, firings, hours_hot| Use {
        from: date(2026, 11, day),
        until: date(2026, 11, day),
        firings,
        hours_hot,
    };
    // The amended one counts once, with its later hours.
    assert_eq!(
        records.furnaces[0].fired,
        [day(21, 1, 2.1), day(22, 1, 2.1), day(23, 1, 3.0)]
    );
}

#[tokio::test]
async fn decisions_are_found_and_their_cases_were_fired() {
    let lab = Laboratory::furnished().await;
    recorded(&lab).await;
    let made = decision(&lab, "d1");
    let read = lab.read();
    let found = read.exposure_decision(&made.key).await.expect("no fault");
    assert_eq!(found, Some(made.clone()));
    let listed = read.exposure_decisions(&lab.site, None, &ALL).await;
    assert_eq!(listed.expect("listed"), std::slice::from_ref(&made));
    let of_furnace = Some(&lab.furnace.furnace);
    let listed = read.exposure_decisions(&lab.site, of_furnace, &ALL).await;
    assert_eq!(listed.expect("listed"), std::slice::from_ref(&made));
    for (start, end, meets) in [(60, 90, true), (61, 90, false), (-9, 0, true)] {
        let met = read
            .exposure_decisions_within(&lab.furnace, moment(start), moment(end))
            .await
            .expect("listed");
        assert_eq!(met.len(), usize::from(meets), "{start} to {end}");
    }
    let mut tx = lab.begin().await;
    let asked = ["C-24", "C-48", "C-72", "C-9"].map(str::to_owned);
    let unknown = tx
        .cases_not_fired(&lab.furnace, moment(0), moment(48), &asked)
        .await
        .expect("looked up");
    assert_eq!(unknown, ["C-72", "C-9"]);
    let earlier = tx.answered(&request(53)).await.expect("no fault");
    let earlier = earlier.expect("answered").exposure_decision();
    assert_eq!(earlier.expect("the decision"), made);
}

#[tokio::test]
async fn another_sites_firings_are_out_of_reach() {
    let lab = Laboratory::furnished().await;
    let firings = recorded(&lab).await;
    let elsewhere = only_at("bogota").network(Right::Record).expect("a scope");
    let read = lab.store.read(&elsewhere);
    let key = &firings[0].key;
    assert!(matches!(read.firing(key).await, Err(Error::OutOfScope)));
    let listed = read
        .firings(&lab.site, &FiringFilter::default(), &ALL)
        .await;
    assert!(matches!(listed, Err(Error::OutOfScope)));
    let within = read
        .firings_within(&lab.furnace, moment(0), moment(1))
        .await;
    assert!(matches!(within, Err(Error::OutOfScope)));
    let judged = read.judged_readings(&lab.furnace).await;
    assert!(matches!(judged, Err(Error::OutOfScope)));
    let judged = lab.read().judged_readings(&lab.furnace).await;
    assert_eq!(judged.expect("none was made"), []);
    let mut tx = lab
        .store
        .begin("test", &elsewhere)
        .await
        .expect("a transaction");
    let report = ReportId::new("report-8").expect("an id");
    let stored = tx
        .insert_firings(&lab.site, &report, &[&firings[0]], &Request::NONE)
        .await;
    assert!(matches!(stored, Err(Error::OutOfScope)));
}
