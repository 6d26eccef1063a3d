//! Who may do what, tried from outside on a real server: every call of the protocol by every role, at its own site and
//! at another's, with good and bad proofs of who it is; then what somebody might attempt to get round that.
//!
//! The table is written independently of the server's. A new call or page without a row fails here.

mod attempts;
mod http_pages;
mod matrix;
mod people;
mod scene;
mod table;
