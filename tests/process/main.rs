//! The server as a process: killed, stopped, out of room, tampered with, misconfigured, demonstrated and
//! watched from outside.

mod administrator;
mod backtest;
mod configuration;
mod copying;
mod demonstration;
mod draining;
mod failing_commit;
mod killed;
mod laboratory;
mod on_postgresql;
mod schema;
mod tampering;
mod telemetry;
mod witness;
