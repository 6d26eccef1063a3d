//! Calls as bytes, for sending what no generated client would send.

use std::sync::Arc;

use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::metadata::MetadataMap;
use tonic::transport::Channel;
use tonic::{Extensions, Request, Status};

/// Sends bytes as the message of a call, whatever they are, and gives the bytes of the answer.
///
/// `path` is the full name of the call, for example `/ringtrue.v1.SiteService/GetSite`.
pub async fn call(channel: Channel, path: &str, message: Vec<u8>) -> Result<Vec<u8>, Status> {
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready()
        .await
        .map_err(|fault| Status::from_error(Box::new(fault)))?;
    let path: PathAndQuery = path.parse().expect("a path");
    let answer = grpc
        .unary(Request::new(Arc::new(message)), path, Bytes)
        .await?;
    Ok(answer.into_inner())
}

/// Sends bytes as the message of a call with this metadata and gives the bytes of its first answer, also of a call whose
/// answers go on and on.
pub async fn first(
    channel: Channel,
    path: &str,
    message: Vec<u8>,
    metadata: MetadataMap,
) -> Result<Vec<u8>, Status> {
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready()
        .await
        .map_err(|fault| Status::from_error(Box::new(fault)))?;
    let path: PathAndQuery = path.parse().expect("a path");
    let request = Request::from_parts(metadata, Extensions::default(), Arc::new(message));
    let answers = grpc.server_streaming(request, path, Bytes).await?;
    let first = answers.into_inner().message().await?;
    first.ok_or_else(|| Status::unknown("the call ended without an answer"))
}

/// Passes messages through as they are.
struct Bytes;

impl Codec for Bytes {
    type Encode = Arc<Vec<u8>>;
    type Decode = Vec<u8>;
    type Encoder = Self;
    type Decoder = Self;

    fn encoder(&mut self) -> Self {
        Self
    }

    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for Bytes {
    type Item = Arc<Vec<u8>>;
    type Error = Status;

    fn encode(&mut self, item: Self::Item, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        bytes::BufMut::put_slice(buffer, &item);
        Ok(())
    }
}

impl Decoder for Bytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        use bytes::Buf as _;
        let length = buffer.remaining();
        Ok(Some(buffer.copy_to_bytes(length).to_vec()))
    }
}
