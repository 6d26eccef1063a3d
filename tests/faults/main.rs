//! Several servers on PostgreSQL while things break: servers, backends, the primary, the network between them. What was
//! acknowledged is there once, and everything goes on by itself.

mod between;
mod changes;
mod clients;
mod connections;
mod held;
mod killed;
mod near;
mod silent;
mod way;
