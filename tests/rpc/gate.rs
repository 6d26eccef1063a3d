//! The gate: who is let in, who is put out again, and how often anybody may come.

use std::collections::BTreeSet;
use std::num::NonZeroU32;
use std::time::Duration;

use jiff::SignedDuration;
use ringtrue_fleet::credential::Holder;
use ringtrue_fleet::grant::{Grant, Reach, Role, SiteGroup};
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_client::AlertServiceClient;
use ringtrue_proto::v1::site_service_client::SiteServiceClient;
use ringtrue_remote::{Code, Failure};
use ringtrue_server::app::Request;
use ringtrue_tests::Network;
use ringtrue_tests::bench::site;
use ringtrue_tests::credentials::{Held, digest, grant, proved};
use ringtrue_tests::process::PATIENCE;
use tokio::time::timeout;
use tonic::Streaming;

/// Streams end at most so long after what ends them: the goal is some seconds.
const AT_ONCE: Duration = Duration::from_secs(10);

async fn locked() -> Network {
    Network::start_with(|settings| settings.access.local_callers = false).await
}

/// A network with two sites, made before it was locked.
async fn two_sites() -> Network {
    let network = Network::start_locked_after(async |network| {
        network.site("north", site()).await;
        network.site("south", site()).await;
    });
    network.await
}

async fn sites<T>(network: &Network, request: tonic::Request<T>) -> Result<Vec<String>, Failure>
where
    T: Into<v1::ListSitesRequest>,
{
    let mut client = SiteServiceClient::new(network.channel());
    let listed = client.list_sites(request.map(Into::into)).await;
    let listed = listed
        .map_err(|refused| Failure::of(&refused))?
        .into_inner();
    Ok(listed.sites.into_iter().map(|site| site.name).collect())
}

fn list() -> v1::ListSitesRequest {
    v1::ListSitesRequest::default()
}

async fn seen_by(network: &Network, held: &Held) -> Result<Vec<String>, Failure> {
    sites(network, proved(list(), &held.token)).await
}

async fn watched(network: &Network, held: &Held) -> Streaming<v1::WatchAlertsResponse> {
    let ask = v1::WatchAlertsRequest {
        parent: "sites/-".to_owned(),
        ..v1::WatchAlertsRequest::default()
    };
    let mut client = AlertServiceClient::new(network.channel());
    let mut stream = client
        .watch_alerts(proved(ask, &held.token))
        .await
        .expect("a stream")
        .into_inner();
    let first = timeout(PATIENCE, stream.message()).await;
    first.expect("something is heard").expect("it goes on");
    stream
}

/// The failure with which a stream ends, in time.
async fn end(stream: &mut Streaming<v1::WatchAlertsResponse>) -> Failure {
    let ended = timeout(AT_ONCE, async {
        loop {
            match stream.message().await {
                Ok(Some(_)) => {}
                Ok(None) => panic!("it ended without a word"),
                Err(refused) => return Failure::of(&refused),
            }
        }
    });
    ended.await.expect("it ends within seconds")
}

async fn revoke(network: &Network, held: &Held) {
    let revoked = held.credential.revoked(network.now());
    let mut tx = network.keep_access().await;
    tx.revoke_credential(&revoked, "lost", network.now(), &Request::NONE)
        .await
        .expect("it is revoked");
    tx.commit().await.expect("it is kept");
}

#[tokio::test]
async fn a_change_of_access_elsewhere_slows_nobody_down() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let other = network
        .held(Holder::Device, grant(Role::Technician, &["south"]))
        .await;
    seen_by(&network, &held).await.expect("let in");
    // As another server does: nobody tells this one, which finds out by the number.
    revoke(&network, &other).await;
    // More within the second than may be looked up from one address.
    for _ in 0..600 {
        seen_by(&network, &held).await.expect("let in");
    }
    network.stop().await;
}

#[tokio::test]
async fn without_a_credential_nobody_is_let_in_once_local_callers_are_not() {
    let network = locked().await;
    let refused = sites(&network, tonic::Request::new(list())).await;
    let failure = refused.expect_err("nobody");
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Unauthenticated, "UNAUTHENTICATED")
    );
    assert!(failure.message.contains("enrol"), "{failure}");
    network.stop().await;
}

#[tokio::test]
async fn a_token_lets_in_and_shows_only_what_it_is_for() {
    let network = two_sites().await;
    let technician = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let quality = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    assert_eq!(
        seen_by(&network, &technician).await.expect("let in"),
        ["sites/north"]
    );
    assert_eq!(
        seen_by(&network, &quality).await.expect("let in"),
        ["sites/north", "sites/south"]
    );
    network.stop().await;
}

#[tokio::test]
async fn a_revoked_credential_is_refused_and_its_streams_end_within_seconds() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let other = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let mut stream = watched(&network, &held).await;
    let mut kept = watched(&network, &other).await;
    revoke(&network, &held).await;
    let failure = end(&mut stream).await;
    assert_eq!(failure.code, Code::Unauthenticated);
    let refused = seen_by(&network, &held).await;
    assert_eq!(refused.expect_err("revoked").code, Code::Unauthenticated);
    assert!(seen_by(&network, &other).await.is_ok());
    let still = timeout(Duration::from_millis(200), kept.message()).await;
    assert!(
        !matches!(still, Ok(Err(_))),
        "another's stream goes on: {still:?}"
    );
    network.stop().await;
}

#[tokio::test]
async fn a_credential_and_its_streams_end_when_its_time_is_over() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let mut stream = watched(&network, &held).await;
    network.advance_days(101);
    assert_eq!(end(&mut stream).await.code, Code::Unauthenticated);
    let refused = seen_by(&network, &held).await;
    assert_eq!(refused.expect_err("expired").code, Code::Unauthenticated);
    network.stop().await;
}

#[tokio::test]
async fn a_rotated_secret_works_as_long_as_the_overlap_and_then_puts_streams_out() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::Technician, &["north"]))
        .await;
    let mut stream = watched(&network, &held).await;
    let now = network.now();
    let until = now + SignedDuration::from_hours(1);
    let rotated = held.credential.rotated(digest("another"), now, Some(until));
    let mut tx = network.keep_access().await;
    tx.rotate_credential(&rotated, now, &Request::NONE)
        .await
        .expect("it is rotated");
    tx.commit().await.expect("it is kept");
    assert!(seen_by(&network, &held).await.is_ok(), "the overlap");
    network.advance_h(1);
    assert_eq!(end(&mut stream).await.code, Code::Unauthenticated);
    let refused = seen_by(&network, &held).await;
    assert_eq!(
        refused.expect_err("the secret before").code,
        Code::Unauthenticated
    );
    network.stop().await;
}

#[tokio::test]
async fn a_group_that_loses_a_site_takes_it_from_open_streams_too() {
    let network = two_sites().await;
    let id = SiteGroupId::new("all").expect("an id");
    let group = |sites: &[&str], revision| SiteGroup {
        key: id.clone(),
        display_name: "all".to_owned(),
        sites: sites
            .iter()
            .map(|id| SiteId::new(id).expect("an id"))
            .collect(),
        revision,
        updated_at: network.now(),
    };
    let put = async |group: &SiteGroup| {
        let mut tx = network.keep_access().await;
        tx.put_site_group(group, &Request::NONE)
            .await
            .expect("it is put");
        tx.commit().await.expect("it is kept");
    };
    put(&group(&["north", "south"], 1)).await;
    let granted = Grant {
        reach: Reach::Sites {
            sites: BTreeSet::new(),
            groups: BTreeSet::from([id.clone()]),
        },
        ..grant(Role::Support, &[])
    };
    let held = network.held(Holder::Device, granted).await;
    assert_eq!(
        seen_by(&network, &held).await.expect("let in"),
        ["sites/north", "sites/south"]
    );
    let mut stream = watched(&network, &held).await;
    put(&group(&["south"], 2)).await;
    let failure = end(&mut stream).await;
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::Unavailable, "ACCESS_CHANGED")
    );
    assert_eq!(
        seen_by(&network, &held).await.expect("let in"),
        ["sites/south"]
    );
    network.stop().await;
}

#[tokio::test]
async fn a_person_calls_under_their_own_staff_code_only() {
    let network = two_sites().await;
    let person = Holder::Person("ab-7".to_owned());
    let held = network
        .held(person, grant(Role::Technician, &["north"]))
        .await;
    let mut stated = proved(list(), &held.token);
    stated
        .metadata_mut()
        .insert("ringtrue-operator", "cd-8".parse().expect("it can travel"));
    let failure = sites(&network, stated).await.expect_err("another's");
    crate::refusals::bad_value(
        &failure,
        "ringtrue-operator",
        "OPERATOR_OF_ANOTHER",
        "leave it out",
    );
    let mut own = proved(list(), &held.token);
    own.metadata_mut()
        .insert("ringtrue-operator", "ab-7".parse().expect("it can travel"));
    assert!(sites(&network, own).await.is_ok());
    network.stop().await;
}

#[tokio::test]
async fn what_a_credential_did_is_on_record_with_its_staff_code_and_address() {
    let network = two_sites().await;
    let held = network
        .held(Holder::Device, grant(Role::SiteManager, &["north"]))
        .await;
    let mut client =
        ringtrue_proto::v1::furnace_service_client::FurnaceServiceClient::new(network.channel());
    let ask = v1::CreateFurnaceRequest {
        parent: "sites/north".to_owned(),
        furnace: Some(ringtrue_tests::bench::furnace()),
        furnace_id: "k9".to_owned(),
        ..v1::CreateFurnaceRequest::default()
    };
    let mut request = proved(ask, &held.token);
    request
        .metadata_mut()
        .insert("ringtrue-operator", "ab-7".parse().expect("it can travel"));
    client.create_furnace(request).await.expect("may configure");
    let entry = network.last_entry("north").await;
    assert_eq!(entry.actor, format!("{}:ab-7", held.credential.key.name()));
    assert_eq!(entry.origin, "127.0.0.1");
    network.stop().await;
}

#[tokio::test]
async fn one_credential_that_comes_too_often_is_told_to_wait_and_others_are_not() {
    let network = Network::start_with(|settings| {
        settings.access.local_callers = false;
        settings.access.calls_per_s = NonZeroU32::new(5).expect("not zero");
    })
    .await;
    let eager = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    let calm = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    let mut refused = None;
    for _ in 0..100 {
        if let Err(failure) = seen_by(&network, &eager).await {
            refused = Some(failure);
            break;
        }
    }
    let failure = refused.expect("too often");
    assert_eq!(
        (failure.code, failure.reason.as_str()),
        (Code::ResourceExhausted, "TOO_OFTEN")
    );
    assert!(failure.retry_after.is_some(), "{failure:?}");
    assert!(seen_by(&network, &calm).await.is_ok());
    network.stop().await;
}

#[tokio::test]
async fn guessing_tokens_at_speed_is_slowed_down_while_good_ones_go_on() {
    let network = locked().await;
    let held = network
        .held(Holder::Device, grant(Role::Quality, &[]))
        .await;
    assert!(seen_by(&network, &held).await.is_ok());
    let mut codes = BTreeSet::new();
    for guess in 0..200_u32 {
        let mut wrong = held.clone();
        wrong.token.secret = format!("{guess:043}");
        let failure = seen_by(&network, &wrong).await.expect_err("a guess");
        codes.insert(failure.reason);
    }
    let wanted = ["TOO_OFTEN", "UNAUTHENTICATED"].map(str::to_owned);
    assert_eq!(codes, BTreeSet::from(wanted));
    assert!(
        seen_by(&network, &held).await.is_ok(),
        "the right one is let in all the while"
    );
    network.stop().await;
}
