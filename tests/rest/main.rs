//! The interface as REST, from outside: a real server, real clients in Python that share nothing with ours, and raw
//! bytes that no client would send.

mod description;
mod example;
mod foreign;
mod forms;
mod guide;
mod hostile;
mod interface;
mod job;
mod raw;
mod reach;
mod streams;
mod walk;
