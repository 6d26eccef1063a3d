//! What the change feed tells to whom.

use prost::Message as _;
use ringtrue_proto::v1;
use ringtrue_server::app;

use super::leaks;
use crate::scene::Scene;

async fn listed(scene: &Scene, who: &str, after: &str) -> (Vec<v1::Change>, Vec<u8>) {
    let ask = format!(r#"{{"parent":"sites/-","page_size":1000,"after":"{after}"}}"#);
    let caller = scene.caller(who);
    let answer = scene
        .call_as(caller, "ChangeService/ListChanges", &ask)
        .await;
    let answer = answer.expect("listed");
    let message = v1::ListChangesResponse::decode(answer.as_slice()).expect("an answer");
    (message.changes, answer)
}

#[tokio::test]
async fn changes_are_told_of_ones_own_sites_and_of_what_all_share() {
    let scene = Scene::set().await;
    let app = &scene.network.app;
    app::feed_changes(&app.store, &app.changes)
        .await
        .expect("fed");
    let (everything, answer) = listed(&scene, "quality", "").await;
    assert!(leaks(&answer), "nothing happened elsewhere");
    for who in ["technician", "support", "integration", "auditor"] {
        for after in ["", &everything[0].cursor, &everything[3].cursor] {
            let (own, answer) = listed(&scene, who, after).await;
            assert!(!leaks(&answer), "{who} is told of others");
            assert!(own.iter().any(|one| one.site == "sites/north"), "{who}");
        }
        let (own, _) = listed(&scene, who, "").await;
        let shared: Vec<&str> = own
            .iter()
            .filter(|one| one.site.is_empty())
            .map(|one| one.r#type.as_str())
            .collect();
        assert!(shared.contains(&"ring_batch.created"), "{who}: {shared:?}");
        // Nobody is told here who may do what.
        assert!(
            !everything
                .iter()
                .any(|one| one.r#type.starts_with("credential"))
        );
    }
    scene.network.stop().await;
}
