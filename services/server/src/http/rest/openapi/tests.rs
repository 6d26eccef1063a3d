//! Checks of the description that need no server.

use prost_reflect::DescriptorPool;

use super::*;

fn written() -> Value {
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("readable");
    let table = Table::of(&pool, |_| 1_000).expect("usable");
    document(&table, None)
}

#[test]
fn every_route_is_described_and_every_reference_leads_somewhere() {
    let document = written();
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("readable");
    let table = Table::of(&pool, |_| 1_000).expect("usable");
    let paths = document["paths"].as_object().expect("paths");
    let operations: usize = paths
        .values()
        .map(|path| path.as_object().map_or(0, Map::len))
        .sum();
    assert_eq!(operations, table.routes().len());
    let text = document.to_string();
    let mut references = 0;
    for part in text.split("\"#/components/").skip(1) {
        let place = part.split('"').next().expect("it ends");
        let pointer = format!("/components/{place}");
        assert!(document.pointer(&pointer).is_some(), "{pointer}");
        references += 1;
    }
    assert!(references > 200, "{references}");
}

#[test]
fn comments_describe_and_say_what_is_not_sent() {
    let document = written();
    let furnace = &document["components"]["schemas"]["Furnace"];
    assert_eq!(furnace["description"], "A sintering furnace.");
    assert_eq!(furnace["additionalProperties"], false);
    let properties = &furnace["properties"];
    assert_eq!(properties["createTime"]["readOnly"], true);
    assert_eq!(properties["createTime"]["format"], "date-time");
    assert!(properties["displayName"].get("readOnly").is_none());
    assert_eq!(
        properties["heatingElement"]["$ref"],
        "#/components/schemas/HeatingElement"
    );
    let update = &document["paths"]["/v1/sites/{site}/furnaces/{furnace}"]["patch"];
    let names: Vec<&str> = update["parameters"]
        .as_array()
        .expect("parameters")
        .iter()
        .filter_map(|parameter| parameter["name"].as_str())
        .collect();
    assert_eq!(
        names,
        [
            "site",
            "furnace",
            "updateMask",
            "requestId",
            "Idempotency-Key",
            "If-Match"
        ]
    );
    let enrol = &document["paths"]["/v1:enrol"]["post"];
    assert_eq!(enrol["security"], json!([]), "nobody has a credential yet");
    assert_eq!(
        enrol["summary"],
        comments::first_sentence(enrol["description"].as_str().unwrap_or_default())
    );
}
