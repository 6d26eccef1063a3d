//! Two laboratories of one network, alike in everything, and everybody who may come: made through the front door while
//! callers on this machine need no credential, and then locked.

use std::collections::BTreeMap;
use std::num::NonZeroU32;
use std::time::Duration;

use data_encoding::BASE64;
use jiff::{SignedDuration, Timestamp};
use prost_reflect::{DescriptorPool, DeserializeOptions, DynamicMessage};
use ringtrue_fleet::finding::{Evidence, Finding, FindingKind, FindingState, Subject};
use ringtrue_fleet::key::{BatchId, FindingId, FurnaceKey, ReadingKey};
use ringtrue_proto::v1;
use ringtrue_server::app;
use ringtrue_server::config::Settings;
use ringtrue_tests::bench::{TABLE_CSV, batch, stamp};
use ringtrue_tests::network::everything;
use ringtrue_tests::{Bench, Network, wire};
use tokio::time::timeout;
use tonic::Status;
use tonic::metadata::{MetadataMap, MetadataValue};
use tonic::transport::Channel;

use crate::people::{self, Caller, GROUP, PHRASE};
use crate::table::Row;

/// Whatever belongs to the other laboratory says this; nobody of the first one ever reads it.
pub(crate) const FOREIGN: &str = "xylophone";

/// Questions that a reading meets which is alike to another one.
const ANSWERS: [&str; 7] = [
    "SAME_FIRING",
    "TOO_GOOD",
    "FAR_FROM_HISTORY",
    "WRONG_FURNACE",
    "CORRECTION_NOT_APPLIED",
    "CORRECTION_OPPOSITE",
    "LATE_REPORT",
];

/// More calls a second than can be made.
const OFTEN: NonZeroU32 = NonZeroU32::new(1_000_000).expect("not zero");

/// The longest that an answer may take here.
const PATIENCE: Duration = Duration::from_secs(30);

/// Where a request is aimed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum At {
    /// What exists at the callers' own site.
    Own,
    /// What does not exist there.
    OwnMissing,
    /// What exists at the other site.
    Foreign,
    /// What does not exist there.
    ForeignMissing,
    /// What would be at a site that does not exist.
    Nowhere,
}

impl At {
    pub(crate) const ALL: [Self; 5] = [
        Self::Own,
        Self::OwnMissing,
        Self::Foreign,
        Self::ForeignMissing,
        Self::Nowhere,
    ];

    /// Whether it is the callers' own site.
    pub(crate) fn is_own(self) -> bool {
        matches!(self, Self::Own | Self::OwnMissing)
    }
}

/// Names to be put into requests.
type Names = BTreeMap<&'static str, String>;

/// The network with everybody in it.
pub(crate) struct Scene {
    pub(crate) network: Network,
    pub(crate) callers: Vec<Caller>,
    pub(crate) own: Bench,
    pub(crate) foreign: Bench,
    /// What proves nobody, with what is wrong about it.
    pub(crate) unusable: Vec<(&'static str, MetadataMap)>,
    channel: Channel,
    places: BTreeMap<At, Names>,
    pool: DescriptorPool,
    made: std::sync::atomic::AtomicU32,
}

impl Scene {
    /// Makes everything and locks the door.
    pub(crate) async fn set() -> Self {
        let locked = |settings: &mut Settings| settings.access.local_callers = false;
        Self::set_behind(locked, Network::channel).await
    }

    /// Makes everything, changes the settings, and calls over these channels from then on.
    pub(crate) async fn set_behind(
        change: impl FnOnce(&mut Settings),
        channel: impl FnOnce(&Network) -> Channel,
    ) -> Self {
        // On the heap: it is a long story.
        Box::pin(Self::told(change, channel)).await
    }

    async fn told(
        change: impl FnOnce(&mut Settings),
        channel: impl FnOnce(&Network) -> Channel,
    ) -> Self {
        let mut prepared = None;
        let prepare = async |network: &Network| {
            let own = network.bench().await;
            let foreign = network.bench_elsewhere("south", &own).await;
            mark(network, &foreign).await;
            let mut places = BTreeMap::new();
            let shared = shared(network, [&own, &foreign]).await;
            places.insert(
                At::Own,
                Box::pin(laboratory(network, &own, "here", &shared)).await,
            );
            let there = Box::pin(laboratory(network, &foreign, FOREIGN, &shared)).await;
            places.insert(At::Foreign, there);
            let readings = [
                &places[&At::Own]["reading"],
                &places[&At::Foreign]["reading"],
            ];
            find(network, [about_batch(&own.batch, readings, network.now())]).await;
            network.every_friday("").await;
            for place in [&own.site, &own.furnace, &foreign.site, &foreign.furnace] {
                network.every_friday(&format!("{place}/")).await;
            }
            let callers = people::let_in(network).await;
            let unusable = people::unusable(network, &callers).await;
            prepared = Some((own, foreign, places, callers, unusable));
        };
        let network = Network::start_again_after(prepare, |settings| {
            // These tests call as often as they can; how often one may is tried elsewhere.
            settings.access.calls_per_s = OFTEN;
            settings.access.calls_per_s_and_address = OFTEN;
            change(settings);
        })
        .await;
        let (own, foreign, mut places, callers, unusable) = prepared.expect("it was prepared");
        // The clock of a server that starts anew in a test begins anew, and its ids with it.
        network.advance_h(30);
        for (at, of) in [(At::OwnMissing, At::Own), (At::ForeignMissing, At::Foreign)] {
            let missing = missing(&places[&of], None);
            places.insert(at, missing);
        }
        let nowhere = missing(&places[&At::Foreign], Some("sites/nowhere"));
        places.insert(At::Nowhere, nowhere);
        let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("a valid protocol");
        let scene = Self {
            channel: channel(&network),
            network,
            callers,
            own,
            foreign,
            unusable,
            places,
            pool,
            made: std::sync::atomic::AtomicU32::new(0),
        };
        people::set_phrases(&scene).await;
        scene
    }

    /// The caller of this name.
    pub(crate) fn caller(&self, name: &str) -> &Caller {
        let found = self.callers.iter().find(|caller| caller.name == name);
        found.unwrap_or_else(|| panic!("nobody is called {name}"))
    }

    /// A name that was made, for example `reading` at the other site.
    pub(crate) fn name(&self, at: At, of: &str) -> String {
        self.places[&at][of].clone()
    }

    /// A request as JSON with the names of a place; `{new}` is new each time.
    pub(crate) fn filled(&self, at: At, ask: &str) -> String {
        let number = self.made.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let mut text = ask.replace("{new}", &format!("n{number}"));
        for (name, value) in &self.places[&at] {
            text = text.replace(&format!("{{{name}}}"), value);
        }
        let now = self.network.now();
        let ago = |hours: i64| (now - SignedDuration::from_hours(hours)).to_string();
        for (name, value) in [
            ("{now}", now.to_string()),
            ("{fired}", ago(14)),
            ("{later}", ago(-24)),
            // Of the reading that is to be amended, which was recorded before the clock was moved.
            ("{measured_then}", ago(30)),
            ("{fired_then}", ago(44)),
            ("{phrase}", PHRASE.to_owned()),
            ("{table}", BASE64.encode(TABLE_CSV.as_bytes())),
            ("{answers}", format!("{ANSWERS:?}")),
        ] {
            text = text.replace(name, &value);
        }
        text
    }

    /// The bytes of a request that is written as JSON.
    pub(crate) fn bytes(&self, call: &str, json: &str) -> Vec<u8> {
        use prost::Message as _;
        let (service, method) = call.split_once('/').expect("a service and a call");
        let service = self
            .pool
            .get_service_by_name(&format!("ringtrue.v1.{service}"));
        let service = service.unwrap_or_else(|| panic!("there is no service of {call}"));
        let mut methods = service.methods();
        let method = methods.find(|one| one.name() == method);
        let method = method.unwrap_or_else(|| panic!("there is no call {call}"));
        let mut reader = serde_json::Deserializer::from_str(json);
        let options = DeserializeOptions::new();
        let read = DynamicMessage::deserialize_with_options(method.input(), &mut reader, &options);
        let read = read.unwrap_or_else(|error| panic!("{call}: {error}: {json}"));
        reader.end().expect("nothing follows the message");
        read.encode_to_vec()
    }

    /// Makes a call with this metadata and gives its first message.
    pub(crate) async fn call(
        &self,
        call: &str,
        json: &str,
        metadata: MetadataMap,
    ) -> Result<Vec<u8>, Status> {
        self.call_over(self.channel.clone(), call, json, metadata)
            .await
    }

    /// Makes a call over another channel.
    pub(crate) async fn call_over(
        &self,
        channel: Channel,
        call: &str,
        json: &str,
        metadata: MetadataMap,
    ) -> Result<Vec<u8>, Status> {
        let path = format!("/ringtrue.v1.{call}");
        let message = self.bytes(call, json);
        let first = wire::first(channel, &path, message, metadata);
        let first = timeout(PATIENCE, first).await;
        first.unwrap_or_else(|_| panic!("{call} did not answer"))
    }

    /// Makes a call as somebody.
    pub(crate) async fn call_as(
        &self,
        caller: &Caller,
        call: &str,
        json: &str,
    ) -> Result<Vec<u8>, Status> {
        self.call(call, json, bearer(&caller.token)).await
    }

    /// Makes the call of a row as somebody.
    pub(crate) async fn row_as(
        &self,
        caller: &Caller,
        row: &Row,
        at: At,
    ) -> (String, Result<Vec<u8>, Status>) {
        let json = self.filled(at, row.ask);
        let answer = self.call_as(caller, row.call, &json).await;
        (json, answer)
    }

    /// How much is on record in all chains: whatever changes anything adds to it.
    pub(crate) async fn on_record(&self) -> i64 {
        let mut entries = self.network.audit_length("").await;
        for site in [&self.own.site, &self.foreign.site] {
            entries += self.network.audit_length(site).await;
        }
        entries
    }
}

/// Metadata with a token.
pub(crate) fn bearer(token: &str) -> MetadataMap {
    let mut metadata = MetadataMap::new();
    let value = MetadataValue::try_from(format!("Bearer {token}")).expect("it can travel");
    metadata.insert("authorization", value);
    metadata
}

/// Names of the same form of what does not exist, at the same site or at another.
fn missing(names: &Names, site: Option<&str>) -> Names {
    let own_site = names["site"].clone();
    let mut missing = names.clone();
    for (what, name) in &mut missing {
        if *what == "marker" {
            continue;
        }
        if *what != "site" {
            // The last letter or digit is another: as long as before, and nobody's.
            let last = name.pop().expect("a name is not empty");
            name.push(if last == '9' { '8' } else { '9' });
        }
        if let (Some(elsewhere), Some(rest)) = (site, name.strip_prefix(&own_site)) {
            *name = format!("{elsewhere}{rest}");
        }
    }
    // A programme of the furnace that does not exist: one of another would be wrong in another way.
    let programme = format!("{}/programmes/p9", missing["furnace"]);
    missing.insert("programme", programme);
    missing
}

/// Renames the other site, so that its words tell whose they are.
async fn mark(network: &Network, foreign: &Bench) {
    let ask = v1::UpdateSiteRequest {
        site: Some(v1::Site {
            name: foreign.site.clone(),
            display_name: FOREIGN.to_owned(),
            ..v1::Site::default()
        }),
        update_mask: Some(prost_types::FieldMask {
            paths: vec!["display_name".to_owned()],
        }),
        ..v1::UpdateSiteRequest::default()
    };
    network
        .remote
        .update_site(ask)
        .await
        .expect("it is renamed");
}

/// Makes what belongs to the network itself.
async fn shared(network: &Network, benches: [&Bench; 2]) -> Names {
    let spare = network.batch("b2", batch()).await;
    let webhook = webhook(network, "", "whole").await;
    let subscription = subscription(network, "", "network@example.org").await;
    let mut ids = BTreeMap::from([
        ("batch", benches[0].batch.clone()),
        ("spare_batch", spare.name),
        ("network_subscription", subscription),
        ("network_webhook", webhook),
        ("network_finding", "findings/f-batch".to_owned()),
        ("group", format!("siteGroups/{GROUP}")),
    ]);
    let group = v1::SetSiteGroupRequest {
        site_group: Some(v1::SiteGroup {
            name: ids["group"].clone(),
            display_name: "Both".to_owned(),
            sites: benches.map(|bench| bench.site.clone()).to_vec(),
            ..v1::SiteGroup::default()
        }),
        ..v1::SetSiteGroupRequest::default()
    };
    people::client(network)
        .set_site_group(group)
        .await
        .expect("the group is made");
    let auditor = people::made(network, people::auditor_of_all()).await;
    ids.insert("network_credential", auditor.name);
    ids
}

async fn subscription(network: &Network, parent: &str, address: &str) -> String {
    let ask = v1::CreateMailSubscriptionRequest {
        parent: parent.to_owned(),
        subscription: Some(v1::MailSubscription {
            address: address.to_owned(),
            level: v1::AlertLevel::Manager.into(),
            mode: v1::MailMode::Digest.into(),
            ..v1::MailSubscription::default()
        }),
        ..v1::CreateMailSubscriptionRequest::default()
    };
    let made = network.remote.create_mail_subscription(ask).await;
    made.expect("made").subscription.expect("it is told").name
}

/// Reports a production firing and records a decision about it; gives their names.
async fn fired(network: &Network, bench: &Bench, marker: &str) -> (String, String) {
    let moment = |hours_ago| stamp(network.now() - SignedDuration::from_hours(hours_ago));
    let report = v1::ReportFiringsRequest {
        parent: bench.site.clone(),
        firings: vec![v1::Firing {
            external_id: "S-1".to_owned(),
            programme: bench.programme.clone(),
            start_time: Some(moment(60)),
            end_time: Some(moment(50)),
            note: marker.to_owned(),
            ..v1::Firing::default()
        }],
        ..v1::ReportFiringsRequest::default()
    };
    let reported = network.remote.report_firings(report).await;
    let firing = reported.expect("recorded").results.remove(0).name;
    let decision = v1::RecordExposureDecisionRequest {
        parent: bench.furnace.clone(),
        exposure_decision: Some(v1::ExposureDecision {
            start_time: Some(moment(70)),
            end_time: Some(moment(40)),
            outcome: v1::ExposureOutcome::NoAction.into(),
            reason: marker.to_owned(),
            decided_by: "q1".to_owned(),
            ..v1::ExposureDecision::default()
        }),
        ..v1::RecordExposureDecisionRequest::default()
    };
    let decided = network.remote.record_exposure_decision(decision).await;
    let decision = decided.expect("recorded").exposure_decision;
    (firing, decision.expect("it is told").name)
}

/// A webhook that nothing is sent to: no change is of its type.
async fn webhook(network: &Network, parent: &str, marker: &str) -> String {
    let ask = v1::CreateWebhookRequest {
        parent: parent.to_owned(),
        webhook: Some(v1::Webhook {
            display_name: marker.to_owned(),
            url: "https://ledger.example/hook".to_owned(),
            types: vec!["nothing".to_owned()],
            ..v1::Webhook::default()
        }),
        ..v1::CreateWebhookRequest::default()
    };
    let made = network.remote.create_webhook(ask).await;
    made.expect("made").webhook.expect("it is told").name
}

/// Makes one of everything at a laboratory; what has words says `marker`.
async fn laboratory(network: &Network, bench: &Bench, marker: &str, shared: &Names) -> Names {
    let reading = network
        .record(network.ask(bench, &[19.470, 19.468, 19.472]))
        .await;
    let mut again = network.ask(bench, &[19.471, 19.469, 19.473]);
    let asked = again.reading.as_mut().expect("a reading");
    marker.clone_into(&mut asked.note);
    asked.answered_questions = ANSWERS.map(str::to_owned).to_vec();
    let mistaken = network.record(again).await;
    network.adjust(bench, "", 1490.0).await;
    let adjustments = v1::ListAdjustmentsRequest {
        parent: bench.furnace.clone(),
        ..v1::ListAdjustmentsRequest::default()
    };
    let adjustments = network.remote.adjustments(adjustments).await;
    let adjustment = adjustments.expect("listed").adjustments.remove(0);
    let feed = v1::CreateCalendarFeedRequest {
        parent: bench.site.clone(),
        feed: Some(v1::CalendarFeed {
            display_name: marker.to_owned(),
            ..v1::CalendarFeed::default()
        }),
        ..v1::CreateCalendarFeedRequest::default()
    };
    let feed = network.remote.create_calendar_feed(feed).await;
    let feed = feed.expect("made").feed.expect("it is told");
    let subscription = subscription(network, &bench.site, &format!("{marker}@example.org")).await;
    let webhook = webhook(network, &bench.site, marker).await;
    let looked = app::look(
        &network.app.store,
        &network.app.clock,
        &network.app.ids,
        &network.app.alerts,
        "test",
    );
    looked
        .await
        .expect("the store answers")
        .expect("nobody else looks");
    let alerts = v1::ListAlertsRequest {
        parent: bench.site.clone(),
        ..v1::ListAlertsRequest::default()
    };
    let alerts = network.remote.alerts(alerts).await.expect("listed").alerts;
    let alert = alerts.first().expect("something is due").name.clone();
    let finding = about_furnace(bench, marker, &reading.name, network.now());
    let finding_name = finding.id.name();
    find(network, [finding]).await;
    let (firing, decision) = fired(network, bench, marker).await;
    let mut names = shared.clone();
    names.extend([
        ("firing", firing),
        ("decision", decision),
        ("site", bench.site.clone()),
        ("furnace", bench.furnace.clone()),
        ("programme", bench.programme.clone()),
        ("gauge", bench.gauge.clone()),
        ("reading", reading.name),
        ("mistaken", mistaken.name),
        ("adjustment", adjustment.name),
        ("feed", feed.name),
        ("subscription", subscription),
        ("webhook", webhook),
        ("alert", alert),
        ("finding", finding_name),
        ("marker", marker.to_owned()),
    ]);
    names.extend(people::invited(network, &bench.site, marker).await);
    names
}

/// Puts findings on record, as the background work would.
async fn find<const N: usize>(network: &Network, findings: [Finding; N]) {
    let store = &network.app.store;
    let begun = store.begin("test", &everything()).await;
    let mut tx = begun.expect("a transaction opens");
    tx.put_findings(&findings, network.now())
        .await
        .expect("they are stored");
    tx.commit().await.expect("they are kept");
}

/// A finding about a laboratory's furnace.
fn about_furnace(bench: &Bench, marker: &str, reading: &str, now: Timestamp) -> Finding {
    let site = bench.site.trim_start_matches("sites/");
    let furnace = FurnaceKey::parse(&bench.furnace).expect("a name");
    let mut found = finding(
        &format!("f-{site}"),
        FindingKind::FurnaceDrifting,
        Subject::Furnace(furnace),
        now,
    );
    found.statement = format!("It drifts: {marker}.");
    found.readings = vec![ReadingKey::parse(reading).expect("a name")];
    found
}

/// A finding about the batch that both laboratories use, from readings of both.
fn about_batch(batch: &str, readings: [&String; 2], now: Timestamp) -> Finding {
    let batch = Subject::Batch(BatchId::parse(batch).expect("a name"));
    let mut found = finding("f-batch", FindingKind::BatchSuspect, batch, now);
    let readings = readings.map(|name| ReadingKey::parse(name).expect("a name"));
    found.readings = readings.to_vec();
    found
}

fn finding(id: &str, kind: FindingKind, subject: Subject, now: Timestamp) -> Finding {
    Finding {
        id: FindingId::new(id).expect("an id"),
        kind,
        subject,
        state: FindingState::Open,
        probability: 0.97,
        statement: "It is off.".to_owned(),
        next_step: "Fire a ring within a week.".to_owned(),
        evidence: vec![Evidence {
            label: "drift".to_owned(),
            value: 0.9,
            unit: "°C/week".to_owned(),
        }],
        readings: Vec::new(),
        first_seen_at: now,
        last_seen_at: now,
        false_discovery_rate: 0.05,
        note: String::new(),
        noted_by: String::new(),
        noted_at: None,
        revision: 1,
    }
}
