-- From where each thing was done, what a subject was before, and signed checkpoints that show when the newest entries of
-- a chain were cut off.

ALTER TABLE audit ADD COLUMN origin TEXT NOT NULL DEFAULT '';  -- network address; '' for the server's own work

-- The entry before of the same subject. Records have no document, so recordings do not pay for it.
CREATE INDEX audit_of_content ON audit (site_id, subject, seq) WHERE document IS NOT NULL;

CREATE TABLE audit_checkpoint (
    number INTEGER NOT NULL PRIMARY KEY,            -- counts from 1
    at INTEGER NOT NULL,
    document TEXT NOT NULL,                         -- JSON: number, moment, hash before, heads of chains that grew
    hash TEXT NOT NULL,                             -- SHA-256 of document, hexadecimal
    key_id TEXT NOT NULL,                           -- which key signed it; '' for none
    signature TEXT NOT NULL                         -- Ed25519 over document (RFC 8032), hexadecimal; '' for none
) STRICT;

-- Up to where each chain is covered by checkpoints; follows from their documents.
CREATE TABLE audit_covered (
    site_id TEXT NOT NULL PRIMARY KEY,
    seq INTEGER NOT NULL,
    number INTEGER NOT NULL                         -- the checkpoint that covers it
) STRICT, WITHOUT ROWID;
