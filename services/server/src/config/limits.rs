//! The settings of what one call, one connection, one address, and all of them together may take.

use super::layers::Given;
use super::within;

/// What calls and connections may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// How many calls are worked on at the same time; one more is told to come back.
    pub in_flight: usize,
    /// The most a call may take, in seconds, whatever its caller allows.
    pub deadline_s: u64,
    /// The largest request that is read, in bytes.
    pub message_bytes: usize,
    /// How many connections are open at the same time; one more is closed at once.
    pub connections: usize,
    /// How many of them may come from one address: one of IPv4, or one network of 64 bits of IPv6. A whole
    /// laboratory behind one router, and everything behind a proxy, is one address.
    pub connections_per_address: usize,
    /// How many calls and streams one connection carries at the same time; further ones wait in the client.
    pub streams_per_connection: u32,
    /// The largest list of headers of one call, in bytes, as RFC 9113 (6.5.2) counts them.
    pub header_bytes: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            in_flight: 1024,
            deadline_s: 30,
            message_bytes: 4 * 1024 * 1024,
            connections: 20_000,
            connections_per_address: 1_000,
            streams_per_connection: 256,
            header_bytes: 16 * 1024,
        }
    }
}

impl Limits {
    pub(super) fn given(given: &mut Given) -> Self {
        let default = Self::default();
        let streams = given.whole(
            "limits.streams_per_connection",
            default.streams_per_connection.into(),
        );
        let headers = given.whole("limits.header_bytes", default.header_bytes.into());
        Self {
            in_flight: given.size("limits.in_flight", default.in_flight),
            deadline_s: given.whole("limits.deadline_s", default.deadline_s),
            message_bytes: given.size("limits.message_bytes", default.message_bytes),
            connections: given.size("limits.connections", default.connections),
            connections_per_address: given.size(
                "limits.connections_per_address",
                default.connections_per_address,
            ),
            streams_per_connection: u32::try_from(streams).unwrap_or(u32::MAX),
            header_bytes: u32::try_from(headers).unwrap_or(u32::MAX),
        }
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        let wide = |size: usize| u64::try_from(size).unwrap_or(u64::MAX);
        let ranges = [
            ("in_flight", wide(self.in_flight), 1, 1_000_000, "calls"),
            ("deadline_s", self.deadline_s, 1, 3_600, "seconds"),
            (
                "message_bytes",
                wide(self.message_bytes),
                1_024,
                1 << 26,
                "bytes",
            ),
            (
                "connections",
                wide(self.connections),
                1,
                1_000_000,
                "connections",
            ),
            (
                "connections_per_address",
                wide(self.connections_per_address),
                1,
                1_000_000,
                "connections",
            ),
            (
                "streams_per_connection",
                self.streams_per_connection.into(),
                1,
                100_000,
                "streams",
            ),
            (
                "header_bytes",
                self.header_bytes.into(),
                4_096,
                1 << 20,
                "bytes",
            ),
        ];
        for (key, value, least, most, unit) in ranges {
            within(&format!("limits.{key}"), value, least, most, unit, faults);
        }
    }

    pub(super) fn effective(&self) -> String {
        let Self {
            in_flight,
            deadline_s,
            message_bytes,
            connections,
            connections_per_address,
            streams_per_connection,
            header_bytes,
        } = self;
        let lines = [
            "\n[limits]".to_owned(),
            format!("in_flight = {in_flight}"),
            format!("deadline_s = {deadline_s}"),
            format!("message_bytes = {message_bytes}"),
            format!("connections = {connections}"),
            format!("connections_per_address = {connections_per_address}"),
            format!("streams_per_connection = {streams_per_connection}"),
            format!("header_bytes = {header_bytes}"),
        ];
        lines.join("\n")
    }
}
