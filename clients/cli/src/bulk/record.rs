//! What an import and an export need to know of a kind of record.

use std::future::Future;

use prost::Message;
use ringtrue_remote::{Code, Failure, Remote};
use sha2::{Digest as _, Sha256};
use uuid::Builder;

use super::cell::{Decimal, Wrong};
use super::columns::Column;

/// A kind of record that is imported and exported.
pub(crate) trait Record: Message + Default + Clone + Send + Sync + 'static {
    /// Its message in the protocol.
    const MESSAGE: &'static str;
    /// Its columns in CSV.
    const COLUMNS: &'static [Column<Self>];
    /// Most records that go to the server together.
    const TOGETHER: usize = 1;
    /// Whether records of one owner go one after the other, in the order of the file.
    const IN_ORDER: bool = false;

    /// Empties what the server alone says.
    fn emptied(&mut self);
    /// Spells names out that leave out the site.
    fn spelled_out(&mut self, site: Option<&str>) -> Result<(), (&'static str, Wrong)>;
    /// What makes it the same record as another; at once what `column` names.
    fn identity(&self) -> (&'static str, String);
    /// What it is recorded under: a site, or a furnace.
    fn owner(&self) -> String;
    /// How many rows of CSV it takes.
    fn row_count(&self) -> usize {
        1
    }
    /// Takes in what stands in a further row.
    fn absorb(&mut self, _further: Self) {}
    /// The row, 0 for the first, in which a field of the record stands.
    fn row_of(&self, _field: &str) -> u64 {
        0
    }
    /// The furnace that it keeps busy, from when until when, µs since 1970.
    fn busy(&self) -> Option<(String, i64, i64)> {
        None
    }
    /// Sends records of one owner, or has them tried out.
    ///
    /// # Errors
    /// A failure that is about none of them.
    fn sent(
        remote: Remote,
        owner: String,
        records: Vec<Self>,
        how: How,
    ) -> impl Future<Output = Result<Vec<Became>, Box<Failure>>> + Send;
    /// A page of records at a site, with the token of the next.
    fn page(
        remote: Remote,
        wanted: Wanted,
        token: String,
    ) -> impl Future<Output = Result<(Vec<Self>, String), Box<Failure>>> + Send;
}

/// How records are sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum How {
    /// The server only looks.
    Tried,
    /// All that go together, or none of them.
    AllOrNone,
    /// Those that are in order.
    KeepingGood,
}

/// Which records are exported.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wanted {
    /// Of this site, `sites/{site}`; empty for records that belong to none.
    pub(crate) site: String,
    /// Of this furnace alone, its full name; empty for all.
    pub(crate) furnace: String,
    /// That ended at this moment or later.
    pub(crate) from: Option<prost_types::Timestamp>,
    /// That ended before this moment.
    pub(crate) until: Option<prost_types::Timestamp>,
}

impl Wanted {
    /// The parent whose records below furnaces are listed.
    pub(crate) fn furnaces(&self) -> String {
        if self.furnace.is_empty() {
            format!("{}/furnaces/-", self.site)
        } else {
            self.furnace.clone()
        }
    }
}

/// What became of a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Became {
    /// It was recorded, or would be.
    Recorded,
    /// It was on record already, the same.
    Known,
    /// It is refused.
    Refused(Vec<Objection>),
}

/// Why a record is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Objection {
    /// Its field; empty when it is about the whole record.
    pub(crate) field: String,
    /// Code in UPPER_SNAKE_CASE.
    pub(crate) reason: String,
    /// What is wrong and what to do.
    pub(crate) words: String,
}

/// A request id that the same content always has, so that it is carried out once however often it is sent (RFC 9562,
/// version 8).
pub(crate) fn request_id<T: Message>(call: &str, content: &T) -> String {
    let mut digest = Sha256::new();
    digest.update("ringtrue import\0");
    digest.update(call);
    digest.update([0]);
    digest.update(content.encode_to_vec());
    let digest = digest.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    Builder::from_custom_bytes(bytes).into_uuid().to_string()
}

/// What a failure says of a record; none when it is about none, as when the line is down.
pub(crate) fn objections(failure: &Failure) -> Option<Vec<Objection>> {
    let is_about_it = matches!(
        failure.code,
        Code::InvalidArgument
            | Code::FailedPrecondition
            | Code::NotFound
            | Code::AlreadyExists
            | Code::OutOfRange
    );
    if !is_about_it {
        return None;
    }
    let mut found = Vec::new();
    for violation in &failure.violations {
        found.push(Objection {
            field: bare(&violation.field).to_owned(),
            reason: failure.reason.clone(),
            words: violation.description.clone(),
        });
    }
    for open in &failure.preconditions {
        found.push(Objection {
            field: bare(&open.subject).to_owned(),
            reason: open.kind.clone(),
            words: open.description.clone(),
        });
    }
    if found.is_empty() {
        found.push(Objection {
            field: String::new(),
            reason: failure.reason.clone(),
            words: failure.message.clone(),
        });
    }
    Some(found)
}

/// A field without the name of its record: `site.tolerance_c` is `tolerance_c`.
fn bare(field: &str) -> &str {
    if field.starts_with("sites/") || field.starts_with("ringBatches/") {
        return "";
    }
    field.split_once('.').map_or(field, |(_, rest)| rest)
}

/// Where a record says something else than the one on record; none when all that it says is the same.
pub(crate) fn differing<T: Record>(given: &T, on_record: &T) -> Option<&'static str> {
    if given.row_count() > 1 && given.row_count() != on_record.row_count() {
        return T::COLUMNS
            .iter()
            .find(|column| column.further)
            .map(|column| column.name);
    }
    for column in T::COLUMNS {
        for row in 0..if column.further { given.row_count() } else { 1 } {
            let said = (column.write)(given, row, Decimal::Point);
            if !said.is_empty() && said != (column.write)(on_record, row, Decimal::Point) {
                return Some(column.name);
            }
        }
    }
    None
}

/// Adds records one after the other, or has them tried out: `create` adds one, `get` gives what is on record under a
/// name.
///
/// # Errors
/// A failure that is about none of them.
pub(crate) async fn one_by_one<T, Created, Found>(
    remote: Remote,
    records: Vec<T>,
    create: impl Fn(Remote, T) -> Created + Send,
    get: impl Fn(Remote, String) -> Found + Send,
) -> Result<Vec<Became>, Box<Failure>>
where
    T: Record,
    Created: Future<Output = Result<(), Box<Failure>>> + Send,
    Found: Future<Output = Result<T, Box<Failure>>> + Send,
{
    let mut became = Vec::with_capacity(records.len());
    for record in records {
        let answer = create(remote.clone(), record.clone()).await;
        let on_record = get(remote.clone(), record.identity().1);
        became.push(added(&record, answer, on_record).await?);
    }
    Ok(became)
}

/// What became of a record that was to be added, from the answer; `on_record` gets the one of this name.
async fn added<T: Record>(
    given: &T,
    answer: Result<(), Box<Failure>>,
    on_record: impl Future<Output = Result<T, Box<Failure>>>,
) -> Result<Became, Box<Failure>> {
    let failure = match answer {
        Ok(()) => return Ok(Became::Recorded),
        Err(failure) => failure,
    };
    if failure.code == Code::AlreadyExists {
        let other = on_record.await?;
        return Ok(match differing(given, &other) {
            None => Became::Known,
            Some(column) => Became::Refused(vec![Objection {
                field: column.to_owned(),
                reason: "EXISTS".to_owned(),
                words: format!(
                    "{} exists already and has another value here; an import changes nothing that exists",
                    given.identity().1
                ),
            }]),
        });
    }
    match objections(&failure) {
        Some(objections) => Ok(Became::Refused(objections)),
        None => Err(failure),
    }
}
