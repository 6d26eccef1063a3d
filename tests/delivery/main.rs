//! What leaves the server by itself: mail through a real mail server, and calendar feeds through a real client.

mod digests;
mod feeds;
mod letters;
mod post;
mod receiver;
mod refusing;
