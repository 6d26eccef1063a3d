//! The server through its front door: every call of the protocol, good and bad.

mod readings;
