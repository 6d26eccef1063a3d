//! A stream of reports: each part is recorded and answered before the next is read, so that nothing piles
//! up here and whoever sends is slowed down by what the disk takes.

use std::pin::Pin;

use futures::Stream;
use futures::stream::unfold;
use ringtrue_proto::v1;
use tonic::{Status, Streaming};

use super::super::caller::Asking;
use super::super::stack::explained;
use super::super::status::status;
use super::{REPORT, report};
use crate::app::App;

/// What the call gives.
pub(crate) type Answers =
    Pin<Box<dyn Stream<Item = Result<v1::ReportFiringStreamResponse, Status>> + Send>>;

struct Taking {
    app: App,
    asking: Asking,
    parts: Streaming<v1::ReportFiringStreamRequest>,
    /// What was read already.
    first: Option<v1::ReportFiringStreamRequest>,
    has_failed: bool,
}

/// Takes part after part; the first one that is refused whole ends the stream. The answer begins once the
/// first part can be read: what is no message at all is refused as in every other call.
pub(super) async fn begun(
    app: App,
    asking: Asking,
    mut parts: Streaming<v1::ReportFiringStreamRequest>,
) -> Result<Answers, Status> {
    let first = parts.message().await?;
    let has_failed = first.is_none();
    let taking = Taking {
        app,
        asking,
        parts,
        first,
        has_failed,
    };
    Ok(Box::pin(unfold(taking, async |mut taking| {
        if taking.has_failed {
            return None;
        }
        let next = match taking.first.take() {
            Some(first) => Ok(Some(first)),
            None => taking.parts.message().await,
        };
        let answer = match next {
            Ok(None) => return None,
            Ok(Some(asked)) => {
                let part = asked.part.unwrap_or_default();
                // As `ReportFirings` would: the same request id is the same request by either way.
                report(&taking.app, &taking.asking, REPORT, part)
                    .await
                    .map(|part| v1::ReportFiringStreamResponse { part: Some(part) })
                    .map_err(status)
            }
            Err(fault) => Err(explained(&fault).unwrap_or(fault)),
        };
        taking.has_failed = answer.is_err();
        Some((answer, taking))
    })))
}
