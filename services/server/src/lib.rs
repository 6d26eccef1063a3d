//! The Ringtrue server: gRPC in front, the rules of `ringtrue_fleet` in the middle, the store behind.

pub mod access;
pub mod app;
pub mod backtest;
pub mod clock;
pub mod config;
pub mod copying;
pub mod demo;
pub mod glances;
pub mod http;
pub mod ids;
pub mod lifecycle;
pub mod live_feed;
mod loaded_site;
pub mod mail;
pub mod readiness;
pub mod rpc;
pub mod seal;
pub mod serve;
pub mod setup;
mod sites_in_turn;
pub mod telemetry;
pub mod transport;
pub mod verification;
pub mod webhook;
mod work;
