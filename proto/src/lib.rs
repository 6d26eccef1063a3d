//! The gRPC interface of Ringtrue: generated messages, clients and servers.
//!
//! The protocol files beside this crate are the manual; nothing here is written by hand but the
//! module tree.

#[expect(
    missing_docs,
    reason = "the vendored date file documents itself in the protocol file"
)]
pub mod google {
    pub mod r#type {
        tonic::include_proto!("google.r#type");
    }
}

#[expect(clippy::all, clippy::pedantic, reason = "generated code")]
#[expect(
    missing_docs,
    reason = "the generator leaves service modules without a comment"
)]
pub mod ringtrue {
    pub mod v1 {
        tonic::include_proto!("ringtrue.v1");
    }
}

pub use ringtrue::v1;

/// The compiled protocol files as an encoded `google.protobuf.FileDescriptorSet`, with comments,
/// for reflection and for writing messages as JSON.
pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.binpb"));

/// A calendar date without a zone.
pub use google::r#type::Date;
