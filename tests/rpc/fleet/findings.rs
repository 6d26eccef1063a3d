//! Findings: what was found, what is said about it, and who sees it.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::finding::{FindingKind, Said, Subject, acknowledged, resolved};
use ringtrue_fleet::key::{BatchId, FindingId, FurnaceKey, SiteId};
use ringtrue_proto::v1;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app;
use ringtrue_server::rpc::status::status;
use ringtrue_store::FindingFilter;
use ringtrue_tests::Network;
use ringtrue_tests::bench::stamp;

use super::{finding, fleet, overview, put, subject};
use crate::refusals::Records;

async fn found(network: &Network, name: &str) -> v1::Finding {
    let ask = v1::GetFindingRequest {
        name: name.to_owned(),
    };
    let found = fleet(network).get_finding(ask).await;
    let found = found.expect("found").into_inner();
    found.finding.expect("the answer holds the finding")
}

async fn listed(network: &Network, ask: v1::ListFindingsRequest) -> v1::ListFindingsResponse {
    let found = fleet(network).list_findings(ask).await;
    found.expect("findings are listed").into_inner()
}

pub(super) fn findings_of(parent: &str) -> v1::ListFindingsRequest {
    v1::ListFindingsRequest {
        parent: parent.to_owned(),
        ..v1::ListFindingsRequest::default()
    }
}

#[tokio::test]
async fn a_finding_is_looked_up_acknowledged_and_resolved() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let furnace = subject(&bench.furnace);
    put(
        &network,
        &[finding("f1", FindingKind::FurnaceDrifting, furnace)],
    )
    .await;
    let open = found(&network, "findings/f1").await;
    assert_eq!(open.state(), v1::FindingState::Open);
    assert_eq!(open.kind(), v1::FindingKind::FurnaceDrifting);
    assert_eq!(
        (open.subject.as_str(), open.subject_display_name.as_str()),
        (bench.furnace.as_str(), "K2")
    );
    assert_eq!(open.site_display_name, "North bench");
    assert_eq!(open.evidence[0].unit, "°C/week");
    assert_eq!((open.readings.len(), open.note_time), (2, None));
    assert_eq!(overview(&network, "sites/-").await.open_finding_count, 1);

    let ask = v1::AcknowledgeFindingRequest {
        name: open.name.clone(),
        note: "a ring is fired on Monday".to_owned(),
        noted_by: "t1".to_owned(),
        etag: open.etag.clone(),
        request_id: "01890a5d-ac96-774b-bcce-b302099a8057".to_owned(),
    };
    let before = network.audit_length(&bench.site).await;
    let seen = fleet(&network).acknowledge_finding(ask.clone()).await;
    let seen = seen
        .expect("acknowledged")
        .into_inner()
        .finding
        .expect("a finding");
    assert_eq!(seen.state(), v1::FindingState::Acknowledged);
    assert_eq!(
        (seen.note.as_str(), seen.noted_by.as_str()),
        (ask.note.as_str(), "t1")
    );
    assert_eq!(seen.note_time, Some(stamp(network.now())));
    assert_ne!(seen.etag, open.etag);
    assert_eq!(found(&network, "findings/f1").await, seen);
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    // A repeat gets the first answer and changes nothing.
    let again = fleet(&network).acknowledge_finding(ask.clone()).await;
    assert_eq!(
        again.expect("answered").into_inner().finding,
        Some(seen.clone())
    );
    assert_eq!(network.audit_length(&bench.site).await, before + 1);
    // It stays on the list.
    assert_eq!(
        listed(&network, findings_of("sites/-")).await.findings,
        std::slice::from_ref(&seen)
    );

    let stale = v1::ResolveFindingRequest {
        name: open.name.clone(),
        note: "elements replaced".to_owned(),
        noted_by: String::new(),
        etag: open.etag,
        request_id: String::new(),
    };
    let refused = fleet(&network).resolve_finding(stale.clone()).await;
    let failure = Failure::of(&refused.expect_err("changed since"));
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Aborted, "STALE_ETAG")
    );
    let ask = v1::ResolveFindingRequest {
        etag: seen.etag,
        ..stale
    };
    let closed = fleet(&network).resolve_finding(ask.clone()).await;
    let closed = closed
        .expect("resolved")
        .into_inner()
        .finding
        .expect("a finding");
    assert_eq!(closed.state(), v1::FindingState::Resolved);
    assert_eq!(overview(&network, &bench.site).await.open_finding_count, 0);
    let twice = v1::ResolveFindingRequest {
        etag: String::new(),
        ..ask
    };
    let refused = fleet(&network).resolve_finding(twice).await;
    let failure = Failure::of(&refused.expect_err("resolved already"));
    assert_eq!(failure.code, Code::FailedPrecondition, "{failure}");
    assert_eq!(failure.reason, "FINDING_RESOLVED");
    network.stop().await;
}

#[tokio::test]
async fn findings_are_listed_the_most_probable_first_page_by_page() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let south = network.bench_elsewhere("south", &bench).await;
    let batch = Subject::Batch(BatchId::parse(&bench.batch).expect("a name"));
    let mut all = vec![
        finding("f1", FindingKind::FurnaceDrifting, subject(&bench.furnace)),
        finding("f2", FindingKind::ChamberUneven, subject(&bench.furnace)),
        finding("f3", FindingKind::BatchSuspect, batch),
        finding("f4", FindingKind::FurnaceDrifting, subject(&south.furnace)),
    ];
    all[0].probability = 0.8;
    all[1].probability = 0.99;
    put(&network, &all).await;
    let ask = v1::AcknowledgeFindingRequest {
        name: "findings/f2".to_owned(),
        note: "looked into".to_owned(),
        ..v1::AcknowledgeFindingRequest::default()
    };
    fleet(&network)
        .acknowledge_finding(ask)
        .await
        .expect("acknowledged");
    let ask = v1::ResolveFindingRequest {
        name: "findings/f4".to_owned(),
        note: "elements replaced".to_owned(),
        ..v1::ResolveFindingRequest::default()
    };
    fleet(&network)
        .resolve_finding(ask)
        .await
        .expect("resolved");
    let ids = |listed: &v1::ListFindingsResponse| -> Vec<String> {
        let mut ids = Vec::new();
        for finding in &listed.findings {
            ids.push(finding.name.trim_start_matches("findings/").to_owned());
        }
        ids
    };
    let whole = listed(&network, findings_of("sites/-")).await;
    assert_eq!(
        ids(&whole),
        ["f3", "f1", "f2"],
        "open ones first, no resolved one"
    );
    let ask = v1::ListFindingsRequest {
        state: v1::FindingState::Resolved.into(),
        ..findings_of("sites/-")
    };
    assert_eq!(ids(&listed(&network, ask).await), ["f4"]);
    let ask = v1::ListFindingsRequest {
        kind: v1::FindingKind::FurnaceDrifting.into(),
        ..findings_of("sites/-")
    };
    assert_eq!(ids(&listed(&network, ask).await), ["f1"]);
    let ask = v1::ListFindingsRequest {
        subject: bench.batch.clone(),
        ..findings_of("sites/-")
    };
    assert_eq!(ids(&listed(&network, ask).await), ["f3"]);
    assert_eq!(
        ids(&listed(&network, findings_of(&bench.site)).await),
        ["f1", "f2"]
    );
    let mut seen = Vec::new();
    let mut page_token = String::new();
    loop {
        let ask = v1::ListFindingsRequest {
            page_size: 1,
            page_token,
            ..findings_of("sites/-")
        };
        let page = listed(&network, ask).await;
        seen.extend(page.findings);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(seen, whole.findings);
    network.stop().await;
}

fn caller_of(sites: &[&str], rights: &[Right]) -> Caller {
    let mut reach = BTreeSet::new();
    for id in sites {
        reach.insert(SiteId::new(id).expect("an id"));
    }
    Caller::of_sites("test".to_owned(), rights.iter().copied().collect(), reach)
}

#[tokio::test]
async fn a_caller_of_one_site_sees_no_furnace_or_finding_of_another() {
    let network = Network::start().await;
    let bench = network.bench().await;
    let south = network.bench_elsewhere("south", &bench).await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let batch = Subject::Batch(BatchId::parse(&bench.batch).expect("a name"));
    put(
        &network,
        &[
            finding("f1", FindingKind::FurnaceDrifting, subject(&bench.furnace)),
            finding("f2", FindingKind::FurnaceDrifting, subject(&south.furnace)),
            finding("f3", FindingKind::BatchSuspect, batch),
        ],
    )
    .await;
    let caller = caller_of(&["south"], &[Right::Read, Right::Record, Right::Note]);
    let scope = caller.network(Right::Read).expect("may read");
    let read = network.app.store.read(&scope);
    let page = ringtrue_store::Page {
        size: 10,
        after: Vec::new(),
    };
    let mut ids = Vec::new();
    for named in read
        .findings(&FindingFilter::default(), &page)
        .await
        .expect("listed")
    {
        ids.push(named.finding.id.to_string());
    }
    assert_eq!(ids, ["f2", "f3"], "its own and the batch's");
    assert_eq!(read.open_finding_count(None).await.expect("counted"), 2);
    let north = SiteId::new("north").expect("an id");
    let key = FurnaceKey::parse(&bench.furnace).expect("a name");
    assert!(read.open_findings(&north).await.is_err());
    assert!(read.fired_before(std::slice::from_ref(&key)).await.is_err());
    assert!(read.history(&key).await.is_err());
    let f1 = FindingId::new("f1").expect("an id");
    assert_eq!(read.finding(&f1).await.expect("answered"), None);

    // Nor may it say anything about them, or about what the network shares.
    let before = Records::of(&network, &bench).await;
    for (id, code) in [("f1", Code::NotFound), ("f3", Code::PermissionDenied)] {
        let id = FindingId::new(id).expect("an id");
        let said = Said {
            note: "not mine".to_owned(),
            noted_by: String::new(),
        };
        let none = app::Request::NONE;
        let fault =
            app::note_finding(&network.app, &caller, &id, None, resolved, said, &none).await;
        let failure = Failure::of(&status(fault.expect_err("refused")));
        assert_eq!(failure.code, code, "{id}: {failure}");
    }
    assert_eq!(Records::of(&network, &bench).await, before);
    let id = FindingId::new("f2").expect("an id");
    let said = Said {
        note: "a ring is fired".to_owned(),
        noted_by: String::new(),
    };
    let none = app::Request::NONE;
    app::note_finding(&network.app, &caller, &id, None, acknowledged, said, &none)
        .await
        .expect("its own");
    network.stop().await;
}
