//! Reading audit chains and checkpoints through the front door.

use data_encoding::HEXLOWER;
use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::Role;
use ringtrue_proto::v1;
use ringtrue_proto::v1::audit_service_client::AuditServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app;
use ringtrue_server::seal::Seal;
use ringtrue_tests::Network;
use ringtrue_tests::bench::stamp;
use ringtrue_tests::credentials::{Held, grant, proved};

fn chain(parent: &str) -> v1::ListAuditEntriesRequest {
    v1::ListAuditEntriesRequest {
        parent: parent.to_owned(),
        page_size: 1000,
        ..v1::ListAuditEntriesRequest::default()
    }
}

async fn entries(
    network: &Network,
    ask: v1::ListAuditEntriesRequest,
) -> Result<v1::ListAuditEntriesResponse, Failure> {
    let mut client = AuditServiceClient::new(network.channel());
    let listed = client.list_audit_entries(ask).await;
    listed
        .map(tonic::Response::into_inner)
        .map_err(|refused| Failure::of(&refused))
}

async fn renamed(network: &Network, name: &str, display_name: &str) {
    let mut changed = network.furnace_now(name).await;
    display_name.clone_into(&mut changed.display_name);
    let ask = v1::UpdateFurnaceRequest {
        furnace: Some(changed),
        update_mask: Some(prost_types::FieldMask {
            paths: vec!["display_name".to_owned()],
        }),
        ..v1::UpdateFurnaceRequest::default()
    };
    network
        .remote
        .update_furnace(ask)
        .await
        .expect("it is renamed");
}

#[tokio::test]
async fn a_chain_is_read_with_who_when_from_where_what_and_what_was_before() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.advance_h(1);
    renamed(&network, &bench.furnace, "K2 by the window").await;
    network
        .record(network.ask(&bench, &[19.470, 19.468, 19.472]))
        .await;
    let all = entries(&network, chain(&bench.site)).await.expect("listed");
    let seqs: Vec<i64> = all.entries.iter().map(|entry| entry.seq).collect();
    let wanted: Vec<i64> = (1..=i64::try_from(seqs.len()).expect("few")).collect();
    assert_eq!(seqs, wanted, "in order of the chain");
    for pair in all.entries.windows(2) {
        assert_eq!(pair[1].previous, pair[0].hash);
    }
    let mut about = chain(&bench.site);
    about.subject.clone_from(&bench.furnace);
    let found = entries(&network, about).await.expect("listed").entries;
    let actions: Vec<&str> = found.iter().map(|entry| entry.action.as_str()).collect();
    assert_eq!(actions, ["furnace.create", "furnace.update"]);
    let (made, changed) = (&found[0], &found[1]);
    assert_eq!(made.before_json, "");
    assert_eq!(changed.before_json, made.after_json);
    assert!(
        changed.after_json.contains("K2 by the window"),
        "{}",
        changed.after_json
    );
    assert_eq!(
        (changed.actor.as_str(), changed.time),
        ("local:t1", Some(stamp(network.now())))
    );
    let reading = all.entries.last().expect("some");
    assert_eq!(reading.action, "reading.record");
    assert_eq!(
        (reading.after_json.as_str(), reading.before_json.as_str()),
        ("", "")
    );
    assert_eq!(reading.digest.len(), 64);

    let mut late = chain(&bench.site);
    late.start_time = Some(stamp(network.now()));
    let late = entries(&network, late).await.expect("listed").entries;
    assert_eq!(late.first().map(|entry| entry.seq), Some(changed.seq));
    let mut early = chain(&bench.site);
    early.end_time = Some(stamp(network.now()));
    let early = entries(&network, early).await.expect("listed").entries;
    assert_eq!(early.last().map(|entry| entry.seq), Some(changed.seq - 1));

    let mut paged = Vec::new();
    let mut ask = chain(&bench.site);
    ask.page_size = 2;
    loop {
        let page = entries(&network, ask.clone()).await.expect("listed");
        paged.extend(page.entries);
        if page.next_page_token.is_empty() {
            break;
        }
        ask.page_token = page.next_page_token;
    }
    assert_eq!(paged, all.entries);
    let network_chain = entries(&network, chain("")).await.expect("listed").entries;
    assert!(
        network_chain
            .iter()
            .any(|entry| entry.action == "ring_batch.create")
    );
    network.stop().await;
}

async fn seen_by(network: &Network, held: &Held, parent: &str) -> Result<usize, Code> {
    let mut client = AuditServiceClient::new(network.channel());
    let listed = client
        .list_audit_entries(proved(chain(parent), &held.token))
        .await;
    listed
        .map(|listed| listed.into_inner().entries.len())
        .map_err(|refused| refused.code())
}

#[tokio::test]
async fn a_chain_is_shown_to_those_who_may_read_it() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.bench_elsewhere("south", &bench).await;
    let at_home = |role| network.held(Holder::Device, grant(role, &["north"]));
    let manager = at_home(Role::SiteManager).await;
    let auditor = at_home(Role::Auditor).await;
    let technician = at_home(Role::Technician).await;
    let quality = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    for held in [&manager, &auditor] {
        assert!(
            seen_by(&network, held, "sites/north")
                .await
                .is_ok_and(|count| count > 3)
        );
        for closed in ["sites/south", "sites/nowhere", ""] {
            let refused = seen_by(&network, held, closed).await;
            assert_eq!(refused, Err(Code::PermissionDenied), "{closed}");
        }
    }
    let refused = seen_by(&network, &technician, "sites/north").await;
    assert_eq!(refused, Err(Code::PermissionDenied));
    for open in ["sites/north", "sites/south", ""] {
        assert!(seen_by(&network, &quality, open).await.is_ok(), "{open}");
    }
    assert_eq!(
        seen_by(&network, &quality, "sites/nowhere").await,
        Err(Code::NotFound)
    );
    network.stop().await;
}

#[tokio::test]
async fn checkpoints_show_each_caller_the_ends_of_the_chains_that_they_reach() {
    let network = Network::start().await;
    let bench = network.bench().await;
    network.bench_elsewhere("south", &bench).await;
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let seal = Seal::make(&folder.path().join("audit.key")).expect("a new file");
    let (store, clock) = (&network.app.store, &network.app.clock);
    let made = app::make_checkpoint(store, clock, "test", Some(&seal)).await;
    let made = made.expect("made").expect("the chains grew");
    let again = app::make_checkpoint(store, clock, "test", Some(&seal)).await;
    assert_eq!(again.expect("looked"), None, "nothing grew");

    let manager = network
        .held(Holder::Device, grant(Role::SiteManager, &["north"]))
        .await;
    let quality = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    let listed = async |held: &Held| {
        let mut client = AuditServiceClient::new(network.channel());
        let ask = v1::ListAuditCheckpointsRequest::default();
        let listed = client
            .list_audit_checkpoints(proved(ask, &held.token))
            .await;
        let mut listed = listed.expect("listed").into_inner().checkpoints;
        assert_eq!(listed.len(), 1);
        listed.remove(0)
    };
    let whole = listed(&quality).await;
    assert_eq!(whole.signed_json, made.document);
    assert_eq!(
        (HEXLOWER.encode(&whole.signature), whole.key_id),
        (made.signature, seal.key_id())
    );
    let chains: Vec<&str> = whole.heads.iter().map(|head| head.chain.as_str()).collect();
    assert_eq!(chains, ["", "sites/north", "sites/south"]);
    let own = listed(&manager).await;
    assert_eq!((own.signed_json.as_str(), own.number), ("", 1));
    let chains: Vec<&str> = own.heads.iter().map(|head| head.chain.as_str()).collect();
    assert_eq!(chains, ["sites/north"]);
    assert_eq!(own.heads[0], whole.heads[1]);
    network.stop().await;
}
