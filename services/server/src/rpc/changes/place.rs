//! Places in the change feed: whether a cursor is one, and what lies behind it.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::change::{Change, Position};
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{ChangeFilter, Read, Store};

use crate::app::Error;

/// Changes that are looked through at once for those that a caller wants: bounds how long a call takes.
const WINDOW: i64 = 20_000;

/// Windows that a call looks through.
const MOST_WINDOWS: u32 = 5;

/// What is said of a cursor that is none of this feed's.
pub(super) const NOT_OURS: &str = "is not a cursor of this server's change feed, or its database was set back since; begin \
                                   anew: keep `end_cursor` of ListChanges, list everything, then follow from that cursor";

/// A part of the feed.
pub(super) struct Part {
    pub(super) changes: Vec<Change>,
    /// Up to where it was looked.
    pub(super) reached: Position,
    /// Whether there is more behind it.
    pub(super) has_more: bool,
    /// The end of the feed.
    pub(super) end: Position,
}

/// Where the feed stands is the same for everybody.
fn whole(store: &Store) -> Read {
    store.read(&Scope::for_work("change_feed"))
}

/// The end of the feed.
pub(super) async fn end(store: &Store) -> Result<Position, Error> {
    Ok(whole(store).end_of_changes().await?)
}

/// Before the oldest change that is kept.
pub(super) async fn oldest(store: &Store) -> Result<Position, Error> {
    let mut before = Position::beginning();
    if let Some(oldest) = whole(store).oldest_change().await? {
        before.number = oldest - 1;
    }
    Ok(before)
}

/// Checks that a caller's position is one of this feed's, and that what follows it is kept.
pub(super) async fn place(store: &Store, position: Position) -> Result<Position, Error> {
    let read = whole(store);
    let not_ours = || {
        let mut violations = Violations::default();
        violations.add("after", "NOT_A_CURSOR", NOT_OURS);
        Err(Error::Invalid(violations))
    };
    if position.number > read.end_of_changes().await?.number {
        return not_ours();
    }
    if let Some(mark) = read.change_mark(position.number).await? {
        return if mark == position.mark {
            Ok(position)
        } else {
            not_ours()
        };
    }
    let oldest = read.oldest_change().await?;
    if oldest.is_some_and(|oldest| oldest > position.number + 1) {
        return Err(Error::CursorExpired);
    }
    Ok(position)
}

/// Reads on after a position: at most so many changes of those that are wanted.
pub(super) async fn part(
    store: &Store,
    scope: &Scope,
    filter: &ChangeFilter,
    after: &Position,
    most: u32,
) -> Result<Part, Error> {
    let (all, read) = (whole(store), store.read(scope));
    let end = all.end_of_changes().await?;
    let mut from = after.number;
    for window in 1..=MOST_WINDOWS {
        let until = from.saturating_add(WINDOW).min(end.number);
        let changes = read.changes(filter, from, until, most).await?;
        // What was put away since the position was looked at would lack without a word.
        if all
            .oldest_change()
            .await?
            .is_some_and(|oldest| oldest > from + 1)
        {
            return Err(Error::CursorExpired);
        }
        let is_full = changes.len() >= most as usize;
        if changes.is_empty() && until < end.number && window < MOST_WINDOWS {
            from = until;
            continue;
        }
        let reached = match changes.last() {
            Some(last) if is_full => last.position.clone(),
            _ => match all.change_mark(until).await? {
                Some(mark) => Position {
                    number: until,
                    mark,
                },
                None if until == after.number => after.clone(),
                // Put away while it was being read.
                None => return Err(Error::CursorExpired),
            },
        };
        return Ok(Part {
            has_more: reached.number < end.number,
            changes,
            reached,
            end,
        });
    }
    Err(Error::Broken)
}
