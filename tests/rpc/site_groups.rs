//! Groups of sites: whoever was granted one reaches what belongs to it, no more and no less, at once.

use ringtrue_fleet::credential::{Holder, Token};
use ringtrue_fleet::grant::Role;
use ringtrue_proto::v1;
use ringtrue_remote::Code;
use ringtrue_tests::Network;
use ringtrue_tests::credentials::grant;
use ringtrue_tests::process::PATIENCE;
use uuid::Uuid;

use crate::credentials::{Desk, two_sites, wish};
use crate::refusals::bad_value;

fn group(sites: &[&str]) -> v1::SetSiteGroupRequest {
    v1::SetSiteGroupRequest {
        site_group: Some(v1::SiteGroup {
            name: "siteGroups/coast".to_owned(),
            display_name: "Coast".to_owned(),
            sites: sites.iter().map(|id| format!("sites/{id}")).collect(),
            update_time: None,
        }),
        ..v1::SetSiteGroupRequest::default()
    }
}

fn remove() -> v1::RemoveSiteGroupRequest {
    v1::RemoveSiteGroupRequest {
        name: "siteGroups/coast".to_owned(),
        ..v1::RemoveSiteGroupRequest::default()
    }
}

async fn groups(desk: &Desk) -> Vec<v1::SiteGroup> {
    let listed = desk.list_site_groups(v1::ListSiteGroupsRequest {}).await;
    listed.expect("listed").site_groups
}

async fn grouped(desk: &Desk) -> v1::CreateCredentialResponse {
    let mut wished = wish(v1::Role::Support, &[]);
    let grant = wished.grant.as_mut().expect("a grant");
    grant.site_groups = vec!["siteGroups/coast".to_owned()];
    let ask = v1::CreateCredentialRequest {
        credential: Some(wished),
        ..v1::CreateCredentialRequest::default()
    };
    desk.create_credential(ask).await.expect("made")
}

/// Waits until the holder reaches these sites and no others: a change is seen within about a second.
async fn reaches(desk: &Desk, wanted: &[&str]) {
    let wanted: Vec<String> = wanted.iter().map(|id| format!("sites/{id}")).collect();
    let seen = tokio::time::timeout(PATIENCE, async {
        loop {
            let who = desk.who_am_i(v1::WhoAmIRequest {}).await.expect("let in");
            if who.sites == wanted {
                break;
            }
            tokio::task::yield_now().await;
        }
    });
    seen.await.expect("it is seen within a second or so");
}

async fn unaltered(network: Network) {
    let verified = network.database().verified().await;
    assert_eq!(verified.faults, []);
    network.stop().await;
}

#[tokio::test]
async fn who_was_granted_a_group_reaches_what_belongs_to_it_now() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let set = desk.set_site_group(group(&["north"])).await.expect("set");
    assert_eq!(groups(&desk).await, [set.site_group.expect("a group")]);
    let made = grouped(&desk).await;
    let token = Token::parse(&made.token).expect("a token");
    let holder = Desk::of(&network, &token);
    reaches(&holder, &["north"]).await;
    desk.set_site_group(group(&["north", "south"]))
        .await
        .expect("set");
    reaches(&holder, &["north", "south"]).await;
    desk.set_site_group(group(&["south"])).await.expect("set");
    reaches(&holder, &["south"]).await;
    desk.remove_site_group(remove()).await.expect("removed");
    reaches(&holder, &[]).await;
    assert!(groups(&desk).await.is_empty());
    let failure = desk.set_site_group(group(&["north"])).await;
    let failure = failure.expect_err("its holders would get in again");
    assert_eq!(failure.reason, "SITE_GROUP_REMOVED", "{failure}");
    assert_eq!(failure.metadata["site_group"], "siteGroups/coast");
    unaltered(network).await;
}

#[tokio::test]
async fn a_group_is_set_once_for_each_request_and_names_only_what_exists() {
    let network = two_sites().await;
    let desk = Desk::local(&network);
    let ask = v1::SetSiteGroupRequest {
        request_id: Uuid::from_u128(1).to_string(),
        ..group(&["north"])
    };
    let first = desk.set_site_group(ask.clone()).await.expect("set");
    network.advance_h(1);
    desk.set_site_group(group(&["south"])).await.expect("set");
    let again = desk.set_site_group(ask).await.expect("the same answer");
    assert_eq!(again, first);
    assert_eq!(groups(&desk).await[0].sites, ["sites/south"]);
    let failure = desk.set_site_group(group(&["east"])).await;
    let failure = failure.expect_err("no such site");
    assert_eq!(failure.code, Code::NotFound, "{failure}");
    let mut wrong = group(&["north", "not an id"]);
    let given = wrong.site_group.as_mut().expect("a group");
    "Coast".clone_into(&mut given.name);
    let failure = desk.set_site_group(wrong).await.expect_err("two faults");
    bad_value(&failure, "site_group.name", "NOT_A_NAME", "siteGroups/");
    bad_value(&failure, "site_group.sites[1]", "NOT_A_NAME", "not an id");
    let ask = v1::RemoveSiteGroupRequest {
        request_id: Uuid::from_u128(2).to_string(),
        ..remove()
    };
    desk.remove_site_group(ask.clone()).await.expect("removed");
    desk.remove_site_group(ask).await.expect("the same answer");
    let failure = desk.remove_site_group(remove()).await;
    let failure = failure.expect_err("it is gone");
    assert_eq!(failure.code, Code::NotFound, "{failure}");
    unaltered(network).await;
}

#[tokio::test]
async fn a_manager_sees_groups_of_their_sites_and_neither_changes_nor_grants_them() {
    let network = two_sites().await;
    let local = Desk::local(&network);
    local
        .set_site_group(group(&["north", "south"]))
        .await
        .expect("set");
    let held = network
        .held(Holder::Device, grant(Role::SiteManager, &["north"]))
        .await;
    let desk = Desk::of(&network, &held.token);
    let seen = groups(&desk).await;
    assert_eq!(seen.len(), 1);
    assert_eq!(seen[0].sites, ["sites/north"], "only their own");
    let mut wished = wish(v1::Role::Technician, &["north"]);
    let granted = wished.grant.as_mut().expect("a grant");
    granted.site_groups = vec!["siteGroups/coast".to_owned()];
    let ask = v1::CreateCredentialRequest {
        credential: Some(wished),
        ..v1::CreateCredentialRequest::default()
    };
    let refused = [
        desk.set_site_group(group(&["north"])).await.err(),
        desk.remove_site_group(remove()).await.err(),
        desk.create_credential(ask).await.err(),
    ];
    for failure in refused {
        let failure = failure.expect("the network's");
        assert_eq!(failure.code, Code::PermissionDenied, "{failure}");
    }
    unaltered(network).await;
}
