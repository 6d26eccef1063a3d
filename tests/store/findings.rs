//! Findings: kept with what people said about them, listed by where they stand, vouched for in the chain.

use jiff::Timestamp;
use ringtrue_fleet::finding::{Evidence, Finding, FindingKind, FindingState, Subject};
use ringtrue_fleet::key::{FindingId, FurnaceKey};
use ringtrue_store::{Fault, FindingFilter, Page};

use crate::laboratory::{Laboratory, moment, request};

const FIRST_PAGE: Page = Page {
    size: 50,
    after: Vec::new(),
};

/// What is wanted when nothing is said.
fn anything() -> FindingFilter {
    FindingFilter::default()
}

/// An open finding.
pub(crate) fn finding(id: &str, kind: FindingKind, subject: Subject, probability: f64) -> Finding {
    Finding {
        id: FindingId::new(id).expect("an id"),
        kind,
        subject,
        state: FindingState::Open,
        probability,
        statement: "It drifts by +1.2 °C a week.".to_owned(),
        next_step: "Fire a ring this week.".to_owned(),
        evidence: vec![Evidence {
            label: "drift".to_owned(),
            value: 1.2,
            unit: "°C/week".to_owned(),
        }],
        readings: Vec::new(),
        first_seen_at: moment(0),
        last_seen_at: moment(24),
        false_discovery_rate: kind.false_discovery_rate(),
        note: String::new(),
        noted_by: String::new(),
        noted_at: None,
        revision: 1,
    }
}

fn drifting(lab: &Laboratory, id: &str, probability: f64) -> Finding {
    finding(
        id,
        FindingKind::FurnaceDrifting,
        Subject::Furnace(lab.furnace.clone()),
        probability,
    )
}

fn now() -> Timestamp {
    moment(30)
}

async fn kept(lab: &Laboratory, findings: &[Finding]) {
    let mut tx = lab.begin().await;
    tx.put_findings(findings, now()).await.expect("kept");
    tx.commit().await.expect("committed");
}

#[tokio::test]
async fn a_finding_comes_back_with_what_people_call_its_subject() {
    let lab = Laboratory::furnished().await;
    let of_furnace = FurnaceKey::clone(&lab.furnace);
    let mut found = drifting(&lab, "f1", 0.97);
    found.readings = vec![lab.recorded("k1", 0, 19.47, "first").await];
    let batch = finding(
        "f2",
        FindingKind::BatchSuspect,
        Subject::Batch(lab.batch.clone()),
        0.9,
    );
    let gauge = finding(
        "f3",
        FindingKind::GaugeSuspect,
        Subject::Gauge(lab.gauge.clone()),
        0.8,
    );
    let all = [found, batch, gauge];
    kept(&lab, &all).await;
    let read = lab.read();
    let shown = read
        .findings(&anything(), &FIRST_PAGE)
        .await
        .expect("findings");
    let mut names = Vec::new();
    for (named, wanted) in shown.iter().zip(&all) {
        assert_eq!(&named.finding, wanted);
        let again = read.finding(&wanted.id).await.expect("no fault");
        assert_eq!(again.as_ref(), Some(named));
        names.push((
            named.subject_display_name.as_str(),
            named.site_display_name.as_str(),
        ));
    }
    assert_eq!(
        names,
        [
            ("Furnace k1", "Porto"),
            ("X7", ""),
            ("Caliper caliper-1", "Porto")
        ]
    );
    assert_eq!(
        read.open_findings(&lab.site).await.expect("subjects"),
        [(of_furnace.name(), 1), (lab.gauge.name(), 1)]
    );
    let count = |site| read.open_finding_count(site);
    assert_eq!(count(None).await.expect("a count"), 3);
    assert_eq!(count(Some(&lab.site)).await.expect("a count"), 2);
}

#[tokio::test]
async fn findings_are_listed_by_where_they_stand_and_then_by_probability() {
    let lab = Laboratory::furnished().await;
    let mut all = Vec::new();
    for (id, state, probability) in [
        ("a", FindingState::Resolved, 0.99),
        ("b", FindingState::Open, 0.6),
        ("c", FindingState::Acknowledged, 0.95),
        ("d", FindingState::Open, 0.8),
    ] {
        all.push(Finding {
            state,
            ..drifting(&lab, id, probability)
        });
    }
    kept(&lab, &all).await;
    let read = lab.read();
    let ids = |filter: FindingFilter, page: Page| {
        let read = read.clone();
        async move {
            let found = read.findings(&filter, &page).await.expect("findings");
            let ids: Vec<String> = found.iter().map(|n| n.finding.id.to_string()).collect();
            let mut place = Vec::new();
            if let Some(first) = found.first() {
                place = first.place();
            }
            (ids.join(" "), place)
        }
    };
    // Those that are resolved are shown when they are asked for.
    let (standing, first) = ids(anything(), FIRST_PAGE).await;
    assert_eq!(standing, "d b c");
    let next = Page {
        size: 50,
        after: first,
    };
    assert_eq!(ids(anything(), next).await.0, "b c");
    let resolved = FindingFilter {
        state: Some(FindingState::Resolved),
        ..anything()
    };
    assert_eq!(ids(resolved, FIRST_PAGE).await.0, "a");
    let of_gauges = FindingFilter {
        kind: Some(FindingKind::GaugeSuspect),
        ..anything()
    };
    assert_eq!(ids(of_gauges, FIRST_PAGE).await.0, "");
    let of_furnace = FindingFilter {
        site: Some(lab.site.clone()),
        subject: Some(Subject::Furnace(lab.furnace.clone())),
        ..anything()
    };
    assert_eq!(ids(of_furnace, FIRST_PAGE).await.0, "d b c");
    let mut tx = lab.begin().await;
    let bearing = tx.standing_findings().await.expect("findings");
    // The one that is resolved has been followed by others of its kind and subject.
    let order: Vec<&str> = bearing.iter().map(|finding| finding.id.as_str()).collect();
    assert_eq!(order, ["b", "c", "d"]);
    tx.roll_back().await.expect("rolled back");
}

#[tokio::test]
async fn what_opens_is_noted_or_closes_is_in_the_chain_and_new_figures_are_not() {
    let lab = Laboratory::furnished().await;
    let length = || async {
        let read = lab.read();
        read.audit_length(Some(&lab.site)).await.expect("a length")
    };
    let before = length().await;
    let mut found = drifting(&lab, "f1", 0.97);
    kept(&lab, std::slice::from_ref(&found)).await;
    assert_eq!(length().await, before + 1);
    found.probability = 0.98;
    found.last_seen_at = moment(48);
    kept(&lab, std::slice::from_ref(&found)).await;
    assert_eq!(length().await, before + 1);

    let said = Finding {
        state: FindingState::Acknowledged,
        note: "elements ordered".to_owned(),
        noted_by: "t1".to_owned(),
        noted_at: Some(now()),
        revision: 2,
        ..found.clone()
    };
    let mut tx = lab.begin().await;
    tx.note_finding(&said, &request(1), now())
        .await
        .expect("noted");
    let named = tx
        .finding(&said.id)
        .await
        .expect("no fault")
        .expect("on record");
    assert_eq!(named.finding, said);
    tx.commit().await.expect("committed");
    assert_eq!(length().await, before + 2);

    let closed = Finding {
        state: FindingState::Resolved,
        revision: 3,
        ..said.clone()
    };
    kept(&lab, std::slice::from_ref(&closed)).await;
    assert_eq!(length().await, before + 3);
    // A request that is repeated is answered as it was first, whatever happened since.
    let mut tx = lab.begin().await;
    let earlier = tx
        .answered(&request(1))
        .await
        .expect("no fault")
        .expect("answered before");
    let answered = tx
        .finding_answered(&earlier)
        .await
        .expect("no fault")
        .expect("on record");
    assert_eq!(answered.finding, said);
    tx.roll_back().await.expect("rolled back");
    assert_eq!(lab.verified().await.faults, []);
    // Hidden from its site by another program, it is named.
    let mut behind = lab.behind_its_back().await;
    sqlx::query("UPDATE finding SET site_id = 'elsewhere'")
        .execute(&mut behind)
        .await
        .expect("damaged");
    drop(behind);
    let faults = lab.verified().await.faults;
    let subject = "findings/f1".to_owned();
    assert_eq!(faults, [Fault::RecordAltered { subject }]);
}
