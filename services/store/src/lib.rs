//! All SQL: migrations, transactions, idempotency, the audit chain.
//!
//! Callers see [`Store`], [`Read`] and [`Tx`], plain structs; which database answers is not theirs to
//! know. Everything that touches site data takes a [`ringtrue_fleet::caller::Scope`].

mod audit;
mod cache;
mod checkpoints;
mod columns;
mod copy;
mod database;
mod documents;
mod error;
mod existing;
mod fitted;
mod page;
mod read;
mod recorded;
mod reference;
mod tables;
mod tx;
mod verify;

pub use audit::{Answered, By, Entry, EntryFilter, Request};
pub use checkpoints::{Checkpoint, Head};
pub use copy::{Copied, CopiedTable, CopyFault, CopyStep, CopyWish, Place, Side, Sum};
pub use database::{Address, Listener, Location, Over, Store, Word};
pub use error::Error;
pub use page::{Page, PagePart};
pub use read::Read;
pub use recorded::{Evaluated, Recorded};
pub use tables::alerts::{AlertFilter, LoggedChange, NamedAlert};
pub use tables::changes::{ChangeFilter, Fed, Unfed};
pub use tables::credentials::{KeptCredential, Proving};
pub use tables::enrolments::Invited;
pub use tables::findings::{FindingFilter, NamedFinding};
pub use tables::firings::{FiringFilter, KeptFiring};
pub use tables::fits::{Pending, SiteKnowledge};
pub use tables::leases::Lease;
pub use tables::mail::{Mail, WaitingMail};
pub use tables::readings::{Missing, NewReading, ReadingKnowledge};
pub use tables::standing_records::{FurnaceStandingRecords, StandingRecords};
pub use tables::subscriptions::{Serving, SubscriptionsOf};
pub use tables::webhooks::{Delivery, DeliveryState, DueEvent, Replay};
pub use tables::work_runs::{WorkRecord, WorkRun};
pub use tx::Tx;
pub use verify::{Evidence, Fault, Kept, Signature, Verified};
