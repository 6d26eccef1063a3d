//! Calls about the change feed.

mod place;

use std::collections::VecDeque;

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::change::{ActorKind, Change, Position, is_type, is_wanted};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::change_service_server::ChangeService;
use ringtrue_store::{ChangeFilter, Store};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{found, settled, site_or_all, timestamp};
use super::live::{Answers, Followed, stream};
use super::sites;
use super::status::answer;
use crate::app::{App, Error};

use place::{part, place};

const LIST: Method = method("/ringtrue.v1.ChangeService/ListChanges");
const WATCH: Method = method("/ringtrue.v1.ChangeService/WatchChanges");

/// Changes of an answer when the caller states no number, and at most, as the protocol states.
const USUAL_SIZE: u32 = 50;
const LARGEST_SIZE: u32 = 1000;

/// Changes read at once while replaying.
const READ_AT_ONCE: u32 = 500;

/// Most types that are asked for at once, as the protocol states.
const MOST_TYPES: usize = 50;

/// Answers calls about changes.
#[derive(Clone)]
pub(crate) struct Changes(pub(crate) App);

#[tonic::async_trait]
impl ChangeService for Changes {
    type WatchChangesStream = Answers<v1::WatchChangesResponse>;

    async fn list_changes(
        &self,
        request: Request<v1::ListChangesRequest>,
    ) -> Result<Response<v1::ListChangesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn watch_changes(
        &self,
        request: Request<v1::WatchChangesRequest>,
    ) -> Result<Response<Self::WatchChangesStream>, Status> {
        answer(watch(&self.0, request).await)
    }
}

/// Which changes a call wants, and with what access.
struct Wanted {
    scope: Scope,
    filter: ChangeFilter,
    after: Option<Position>,
}

async fn list(
    app: &App,
    request: Request<v1::ListChangesRequest>,
) -> Result<v1::ListChangesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let size = match u32::try_from(asked.page_size) {
        Ok(0) => USUAL_SIZE,
        Ok(size) => size.min(LARGEST_SIZE),
        Err(_) => {
            violations.add(
                "page_size",
                "OUT_OF_RANGE",
                format!(
                    "{} is negative; send 1 to {LARGEST_SIZE}, or leave it out",
                    asked.page_size
                ),
            );
            USUAL_SIZE
        }
    };
    let read = (asked.parent, asked.types, asked.after);
    let wanted = wanted(app, &asking, read, violations).await?;
    let after = match wanted.after {
        Some(after) => after,
        None => place::oldest(&app.store).await?,
    };
    let part = part(&app.store, &wanted.scope, &wanted.filter, &after, size).await?;
    Ok(v1::ListChangesResponse {
        changes: part.changes.iter().map(message).collect(),
        cursor: part.reached.cursor(),
        has_more: part.has_more,
        end_cursor: part.end.cursor(),
    })
}

async fn watch(
    app: &App,
    request: Request<v1::WatchChangesRequest>,
) -> Result<Answers<v1::WatchChangesResponse>, Error> {
    let asking = Asking::of(WATCH, &request)?;
    let asked = request.into_inner();
    let read = (asked.parent, asked.types, asked.after);
    let wanted = wanted(app, &asking, read, Violations::default()).await?;
    let listening = app.changes.listen().await?;
    let mut waiting = VecDeque::new();
    let sent = if let Some(after) = wanted.after {
        after
    } else {
        let end = place::end(&app.store).await?;
        waiting.push_back(heartbeat(&end));
        end
    };
    let watching = Watching {
        store: app.store.clone(),
        scope: wanted.scope,
        filter: wanted.filter,
        sent,
    };
    Ok(stream(watching, listening, waiting))
}

/// Reads what is wanted: parent, types, cursor.
async fn wanted(
    app: &App,
    asking: &Asking,
    (parent, types, after): (String, Vec<String>, String),
    mut violations: Violations,
) -> Result<Wanted, Error> {
    let site = site_or_all(&parent, &mut violations);
    check_types("types", &types, &mut violations);
    let position = Position::parse(&after);
    if position.is_none() && !after.is_empty() {
        violations.add("after", "NOT_A_CURSOR", place::NOT_OURS);
    }
    settled(Some(()), violations)?;
    let scope = scope(app, asking, site.as_ref()).await?;
    let after = match position {
        Some(position) => Some(place(&app.store, position).await?),
        None => None,
    };
    Ok(Wanted {
        scope,
        filter: ChangeFilter { site, types },
        after,
    })
}

async fn scope(app: &App, asking: &Asking, site: Option<&SiteId>) -> Result<Scope, Error> {
    let Some(site) = site else {
        return asking.network();
    };
    let scope = asking.site(site)?;
    let known = app.store.read(&scope).site(site).await?;
    found(known, sites::KIND, site.name())?;
    Ok(scope)
}

/// Adds what is wrong with a list of types.
pub(super) fn check_types(field: &str, types: &[String], violations: &mut Violations) {
    if types.len() > MOST_TYPES {
        violations.add(
            field,
            "TOO_MANY",
            format!("names {} types; send at most {MOST_TYPES}", types.len()),
        );
    }
    for (at, kind) in types.iter().enumerate() {
        if !is_type(kind) {
            violations.add(
                format!("{field}[{at}]"),
                "NOT_A_TYPE",
                "is no type of a change; write words such as reading.recorded, or reading for all about readings",
            );
        }
    }
}

struct Watching {
    store: Store,
    scope: Scope,
    filter: ChangeFilter,
    /// The last change that was sent or passed over.
    sent: Position,
}

impl Followed for Watching {
    type Change = Change;
    type Response = v1::WatchChangesResponse;

    async fn replayed(
        &mut self,
        waiting: &mut VecDeque<v1::WatchChangesResponse>,
    ) -> Result<bool, Error> {
        let part = part(
            &self.store,
            &self.scope,
            &self.filter,
            &self.sent,
            READ_AT_ONCE,
        )
        .await?;
        waiting.extend(part.changes.iter().map(response));
        self.sent = part.reached;
        Ok(!part.has_more)
    }

    fn heard(&mut self, change: &Change) -> Option<v1::WatchChangesResponse> {
        if change.position.number <= self.sent.number {
            return None;
        }
        self.sent.clone_from(&change.position);
        self.wants(change).then(|| response(change))
    }

    fn cursor(&self) -> String {
        self.sent.cursor()
    }

    fn heartbeat(&self) -> v1::WatchChangesResponse {
        heartbeat(&self.sent)
    }
}

impl Watching {
    fn wants(&self, change: &Change) -> bool {
        let is_at_place = match (&self.filter.site, &change.site) {
            (Some(wanted), site) => site.as_ref() == Some(wanted),
            (None, Some(site)) => self.scope.reaches(site),
            (None, None) => change.is_shared || self.scope.sites().is_none(),
        };
        is_at_place && is_wanted(&change.kind, &self.filter.types)
    }
}

fn message(change: &Change) -> v1::Change {
    let actor_kind = match change.actor {
        ActorKind::Person => v1::ActorKind::Person,
        ActorKind::Device => v1::ActorKind::Device,
        ActorKind::Integration => v1::ActorKind::Integration,
        ActorKind::Local => v1::ActorKind::Local,
        ActorKind::Server => v1::ActorKind::Server,
    };
    v1::Change {
        cursor: change.position.cursor(),
        r#type: change.kind.clone(),
        name: change.name.clone(),
        site: change.site.as_ref().map_or_else(String::new, SiteId::name),
        change_time: Some(timestamp(change.at)),
        actor_kind: actor_kind.into(),
        sequence: change.sequence,
        furnace: change.furnace().to_owned(),
        reading: change.reading.clone(),
        subject: change.subject.clone(),
    }
}

fn response(change: &Change) -> v1::WatchChangesResponse {
    v1::WatchChangesResponse {
        cursor: change.position.cursor(),
        change: Some(message(change)),
    }
}

fn heartbeat(sent: &Position) -> v1::WatchChangesResponse {
    v1::WatchChangesResponse {
        change: None,
        cursor: sent.cursor(),
    }
}
