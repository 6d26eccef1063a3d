//! Calls about the audit chains.

use data_encoding::HEXLOWER;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::audit_service_server::AuditService;
use ringtrue_store::{Checkpoint, Entry, EntryFilter, Head, PagePart};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{found, moment, optional_name, settled, timestamp};
use super::page::{Order, Paging};
use super::sites;
use super::status::answer;
use crate::app::{App, Error};

const ENTRIES: Method = method("/ringtrue.v1.AuditService/ListAuditEntries");
const CHECKPOINTS: Method = method("/ringtrue.v1.AuditService/ListAuditCheckpoints");

/// Answers calls about audit chains.
#[derive(Clone)]
pub(crate) struct Audit(pub(crate) App);

#[tonic::async_trait]
impl AuditService for Audit {
    async fn list_audit_entries(
        &self,
        request: Request<v1::ListAuditEntriesRequest>,
    ) -> Result<Response<v1::ListAuditEntriesResponse>, Status> {
        answer(list_entries(&self.0, request).await)
    }

    async fn list_audit_checkpoints(
        &self,
        request: Request<v1::ListAuditCheckpointsRequest>,
    ) -> Result<Response<v1::ListAuditCheckpointsResponse>, Status> {
        answer(list_checkpoints(&self.0, &request).await)
    }
}

async fn list_entries(
    app: &App,
    request: Request<v1::ListAuditEntriesRequest>,
) -> Result<v1::ListAuditEntriesResponse, Error> {
    let asking = Asking::of(ENTRIES, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = optional_name("parent", &asked.parent, SiteId::parse, &mut violations);
    violations.text("subject", &asked.subject, 0, 500);
    let from = moment("start_time", asked.start_time, &mut violations);
    let until = moment("end_time", asked.end_time, &mut violations);
    let edges = format!("{from:?} {until:?}");
    let filters = [asked.parent.as_str(), asked.subject.as_str(), &edges];
    let paging = Paging::read(
        ENTRIES,
        &filters,
        Order::Along,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.site_or_network(site.as_ref())?;
    let read = app.store.read(&scope).on_one_connection();
    if let Some(site) = &site {
        found(read.site(site).await?, sites::KIND, site.name())?;
    }
    let filter = EntryFilter {
        subject: Some(asked.subject).filter(|subject| !subject.is_empty()),
        from,
        until,
    };
    let rows = read.entries(site.as_ref(), &filter, &paging.page).await?;
    let (entries, next_page_token) = paging.cut(
        &rows,
        |entry| vec![PagePart::Number(entry.seq)],
        entry_message,
    );
    Ok(v1::ListAuditEntriesResponse {
        entries,
        next_page_token,
    })
}

async fn list_checkpoints(
    app: &App,
    request: &Request<v1::ListAuditCheckpointsRequest>,
) -> Result<v1::ListAuditCheckpointsResponse, Error> {
    let asking = Asking::of(CHECKPOINTS, request)?;
    let asked = request.get_ref();
    let mut violations = Violations::default();
    if asked.after_number < 0 {
        violations.add(
            "after_number",
            "OUT_OF_RANGE",
            "is negative; send the number of the last checkpoint that you have, or 0",
        );
    }
    let after = asked.after_number.to_string();
    let paging = Paging::read(
        CHECKPOINTS,
        &[&after],
        Order::Along,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.network()?;
    let read = app.store.read(&scope);
    let mut listed = Vec::new();
    for checkpoint in read.checkpoints(asked.after_number, &paging.page).await? {
        let message = checkpoint_message(&checkpoint, &scope)?;
        listed.push(message);
    }
    let key = |checkpoint: &v1::AuditCheckpoint| vec![PagePart::Number(checkpoint.number)];
    let (checkpoints, next_page_token) = paging.cut(&listed, key, Clone::clone);
    let seal = app.seal.as_ref();
    Ok(v1::ListAuditCheckpointsResponse {
        checkpoints,
        next_page_token,
        public_key: seal.map_or_else(Vec::new, |seal| seal.public_key().to_vec()),
    })
}

fn chain_name(site: &str) -> String {
    if site.is_empty() {
        String::new()
    } else {
        format!("sites/{site}")
    }
}

fn entry_message(entry: &Entry) -> v1::AuditEntry {
    v1::AuditEntry {
        chain: entry.site.as_ref().map_or_else(String::new, SiteId::name),
        seq: entry.seq,
        time: Some(timestamp(entry.at)),
        actor: entry.actor.clone(),
        origin: entry.origin.clone(),
        action: entry.action.clone(),
        subject: entry.subject.clone(),
        after_json: entry.after.clone().unwrap_or_default(),
        before_json: entry.before.clone().unwrap_or_default(),
        digest: entry.digest.clone(),
        previous: entry.previous.clone(),
        hash: entry.hash.clone(),
    }
}

fn checkpoint_message(
    checkpoint: &Checkpoint,
    scope: &Scope,
) -> Result<v1::AuditCheckpoint, Error> {
    // Whoever does not see every site sees neither the names of the others nor the text that holds them.
    let sees_all = scope.sites().is_none();
    let heads = if sees_all {
        checkpoint.all_heads()?
    } else {
        checkpoint.heads(|site| scope.reaches(site))?
    };
    let signed_json = if sees_all {
        checkpoint.document.clone()
    } else {
        String::new()
    };
    let message = |head: Head| v1::ChainHead {
        chain: chain_name(&head.site_id),
        seq: head.seq,
        hash: head.hash,
    };
    Ok(v1::AuditCheckpoint {
        number: checkpoint.number,
        time: Some(timestamp(checkpoint.made_at()?)),
        heads: heads.into_iter().map(message).collect(),
        signed_json,
        hash: checkpoint.hash.clone(),
        key_id: checkpoint.key_id.clone(),
        signature: HEXLOWER
            .decode(checkpoint.signature.as_bytes())
            .unwrap_or_default(),
    })
}
