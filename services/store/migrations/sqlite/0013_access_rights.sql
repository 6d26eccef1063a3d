-- What a second wall behind the scopes of the store needs. SQLite has no rights within a file, so here it is only this:

-- The last number of the log of alert changes, whoever asks.
CREATE VIEW alert_log_end AS SELECT COALESCE(MAX(seq), 0) AS seq FROM alert_change;
