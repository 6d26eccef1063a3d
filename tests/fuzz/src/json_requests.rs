//! Requests as JSON, by the protocol's canonical mapping: what is accepted comes through both encodings unchanged.

use std::sync::LazyLock;

use prost::Message as _;
use prost_reflect::{DescriptorPool, DeserializeOptions, DynamicMessage, MessageDescriptor};

/// What each call of the protocol takes, in the order of the protocol.
static REQUESTS: LazyLock<Vec<MessageDescriptor>> = LazyLock::new(|| {
    let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("the protocol is valid");
    let mut requests = Vec::new();
    for service in pool.services() {
        for method in service.methods() {
            requests.push(method.input());
        }
    }
    requests
});

/// Reads an input as a request: its first byte picks which, the rest is the JSON.
pub fn read(input: &[u8]) {
    let Some((first, json)) = input.split_first() else {
        return;
    };
    let request = &REQUESTS[usize::from(*first) % REQUESTS.len()];
    for unknown in [true, false] {
        let options = DeserializeOptions::new().deny_unknown_fields(unknown);
        let mut reader = serde_json::Deserializer::from_slice(json);
        let read = DynamicMessage::deserialize_with_options(request.clone(), &mut reader, &options);
        let (Ok(message), Ok(())) = (read, reader.end()) else {
            continue;
        };
        let bytes = message.encode_to_vec();
        let decoded = DynamicMessage::decode(request.clone(), bytes.as_slice())
            .expect("what was encoded can be decoded");
        // As bytes, because no message with a NaN in it is equal to itself.
        assert_eq!(decoded.encode_to_vec(), bytes, "changed by protobuf");
        let written = serde_json::to_string(&decoded).expect("what was read can be written");
        let mut reader = serde_json::Deserializer::from_str(&written);
        let again = DynamicMessage::deserialize(request.clone(), &mut reader)
            .unwrap_or_else(|error| panic!("{error}: {written}"));
        assert_eq!(again.encode_to_vec(), bytes, "changed by JSON: {written}");
    }
}
