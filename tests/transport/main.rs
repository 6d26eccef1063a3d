//! Connections as strangers make them: encrypted or not, trusted or not, in good order or not; and the installation
//! that all of it starts with.

mod installing;
mod pages;
mod papers;
mod reaching;
mod refusing;
mod reloading;
mod rest;
