-- From where each thing was done, what a subject was before, and signed checkpoints that show when the newest entries of
-- a chain were cut off.

ALTER TABLE audit ADD COLUMN origin TEXT COLLATE "C" NOT NULL DEFAULT '';   -- network address; '' for the server's own work

-- The entry before of the same subject. Records have no document, so recordings do not pay for it.
CREATE INDEX audit_of_content ON audit (site_id, subject, seq) WHERE document IS NOT NULL;

CREATE TABLE audit_checkpoint (
    number BIGINT NOT NULL PRIMARY KEY,             -- counts from 1
    at BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL,             -- JSON: number, moment, hash before, heads of chains that grew
    hash TEXT COLLATE "C" NOT NULL,                 -- SHA-256 of document, hexadecimal
    key_id TEXT COLLATE "C" NOT NULL,               -- which key signed it; '' for none
    signature TEXT COLLATE "C" NOT NULL             -- Ed25519 over document (RFC 8032), hexadecimal; '' for none
);

-- Up to where each chain is covered by checkpoints; follows from their documents.
CREATE TABLE audit_covered (
    site_id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL,
    number BIGINT NOT NULL                          -- the checkpoint that covers it
);
