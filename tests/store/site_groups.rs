//! Groups of sites: versions, removal, and who sees which of their sites.

use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::SiteGroupId;
use ringtrue_store::{Error, Request};

use crate::credentials::{manager, site};
use crate::laboratory::{Laboratory, moment, request};

/// A version of a group.
pub(crate) fn group(id: &str, sites: &[&str], revision: i64) -> SiteGroup {
    SiteGroup {
        key: SiteGroupId::new(id).expect("an id"),
        display_name: format!("Group {id}"),
        sites: sites.iter().map(|id| site(id)).collect(),
        revision,
        updated_at: moment(revision),
    }
}

#[tokio::test]
async fn a_group_reads_back_as_set_until_it_is_removed() {
    let lab = Laboratory::furnished().await;
    let first = group("north", &["porto", "leeds"], 1);
    let mut tx = lab.begin().await;
    assert_eq!(tx.site_group(&first.key).await.expect("no fault"), None);
    tx.put_site_group(&first, &request(3)).await.expect("set");
    let earlier = tx.answered(&request(3)).await.expect("no fault");
    let earlier = earlier.expect("answered").site_group();
    assert_eq!(earlier.expect("a group"), first);
    let second = group("north", &["leeds"], 2);
    tx.put_site_group(&second, &Request::NONE)
        .await
        .expect("set");
    let found = tx.site_group(&first.key).await.expect("no fault");
    assert_eq!(found, Some(second.clone()));
    assert_eq!(tx.site_group_count().await.expect("a count"), 1);
    tx.commit().await.expect("committed");
    let listed = lab.read().site_groups().await.expect("groups");
    assert_eq!(listed, std::slice::from_ref(&second));
    assert_eq!(lab.verified().await.faults, []);

    let mut tx = lab.begin().await;
    assert!(
        !tx.site_group_was_removed(&first.key)
            .await
            .expect("no fault")
    );
    let last = group("north", &["leeds"], 3);
    tx.remove_site_group(&last, &Request::NONE)
        .await
        .expect("removed");
    assert!(
        tx.site_group_was_removed(&first.key)
            .await
            .expect("no fault")
    );
    assert_eq!(tx.site_group(&first.key).await.expect("no fault"), None);
    assert_eq!(tx.site_group_count().await.expect("a count"), 0);
    tx.commit().await.expect("committed");
    assert!(lab.read().site_groups().await.expect("groups").is_empty());
    assert_eq!(lab.verified().await.faults, []);
}

#[tokio::test]
async fn a_scope_of_some_sites_sees_its_groups_with_its_own_sites_only() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    for one in [
        group("both", &["bogota", "porto"], 1),
        group("empty", &[], 1),
        group("other", &["leeds"], 1),
    ] {
        tx.put_site_group(&one, &Request::NONE).await.expect("set");
    }
    tx.commit().await.expect("committed");
    let all = lab.read().site_groups().await.expect("groups");
    assert_eq!(all.len(), 3);
    let read = lab.store.read(&manager(&["porto"]));
    let seen = read.site_groups().await.expect("groups");
    assert_eq!(seen, [group("both", &["porto"], 1)]);
}

#[tokio::test]
async fn a_site_that_does_not_exist_is_named() {
    let lab = Laboratory::furnished().await;
    let mut tx = lab.begin().await;
    let wanted = group("north", &["porto", "leeds", "bogota"], 1).sites;
    let missing = tx.missing_site(&wanted).await.expect("no fault");
    assert_eq!(missing, Some(site("bogota")));
    let there = group("north", &["porto"], 1).sites;
    assert_eq!(tx.missing_site(&there).await.expect("no fault"), None);
}

#[tokio::test]
async fn only_the_whole_network_changes_groups() {
    let lab = Laboratory::furnished().await;
    let begun = lab.store.begin("test", &manager(&["porto"])).await;
    let mut tx = begun.expect("a transaction");
    let own = group("own", &["porto"], 1);
    let refused = [
        tx.site_group(&own.key).await.err(),
        tx.site_group_was_removed(&own.key).await.err(),
        tx.site_group_count().await.err(),
        tx.missing_site(&group("own", &["leeds"], 1).sites)
            .await
            .err(),
        tx.put_site_group(&own, &Request::NONE).await.err(),
        tx.remove_site_group(&own, &Request::NONE).await.err(),
    ];
    for refusal in refused {
        assert!(matches!(refusal, Some(Error::OutOfScope)), "{refusal:?}");
    }
}
