//! One file per table: its row, what a row means, and every statement that touches it.

/// Pairs of a site and an id of something there, out of the JSON list `$1`. They are taken apart before anything is
/// looked for: behind row-level security PostgreSQL uses an index only for what cannot leak a row, which no function of
/// ours is known for, and reads everything in reach instead.
macro_rules! wanted_pairs {
    () => {
        "WITH wanted AS MATERIALIZED (SELECT json_extract(value, '$[0]') AS site_id, json_extract(value, '$[1]') AS id
            FROM json_each($1)) "
    };
}

/// That no later version of a record is there: in a table of amendments and its column, of the row that stands under such a
/// name and holds its id in such a column. Never as an outer join whose right side is missing: PostgreSQL takes that for one
/// row in two hundred, so it reads and sorts all records of a furnace where it should stop after a page.
macro_rules! unamended {
    ($amendments:literal, $amended:literal, $row:literal, $id:literal) => {
        concat!(
            "NOT EXISTS (SELECT 1 FROM ",
            $amendments,
            " AS later WHERE later.site_id = ",
            $row,
            ".site_id AND later.furnace_id = ",
            $row,
            ".furnace_id AND later.",
            $amended,
            " = ",
            $row,
            ".",
            $id,
            ")"
        )
    };
}
pub(crate) use unamended;

pub(crate) mod acts;
pub(crate) mod adjustments;
pub(crate) mod agenda;
pub(crate) mod alerts;
pub(crate) mod changes;
pub(crate) mod credentials;
pub(crate) mod enrolments;
pub(crate) mod events;
pub(crate) mod exposure_decisions;
pub(crate) mod feeds;
pub(crate) mod findings;
pub(crate) mod firings;
pub(crate) mod fits;
pub(crate) mod furnaces;
pub(crate) mod gauges;
pub(crate) mod leases;
pub(crate) mod mail;
pub(crate) mod of_late;
pub(crate) mod programmes;
pub(crate) mod readings;
pub(crate) mod ring_batches;
pub(crate) mod rules;
mod serving;
pub(crate) mod sign_offs;
pub(crate) mod signing_phrases;
pub(crate) mod site_groups;
pub(crate) mod site_records;
pub(crate) mod sites;
pub(crate) mod standing_records;
pub(crate) mod subscriptions;
pub(crate) mod tracked;
pub(crate) mod webhooks;
pub(crate) mod wishes;
pub(crate) mod work_runs;
