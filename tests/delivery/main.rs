//! What leaves the server by itself: mail through a real mail server, and calendar feeds through a real client.

mod digests;
mod feeds;
mod hooks;
mod letters;
mod post;
mod program;
mod receiver;
mod refusing;
mod webhooks;
mod whole;
