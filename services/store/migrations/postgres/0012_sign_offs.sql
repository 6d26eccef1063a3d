-- Signatures of a second person on readings and adjustments: which sites ask for them, what was signed, and the
-- phrases that people sign with.
-- Moments are microseconds since 1970-01-01 UTC.

ALTER TABLE site ADD COLUMN readings_sign_off_since BIGINT;     -- from then on readings wait for a signature; null when none does
ALTER TABLE site ADD COLUMN adjustments_sign_off_since BIGINT;  -- likewise adjustments

-- Only ever added to.
CREATE TABLE sign_off (
    site_id TEXT COLLATE "C" NOT NULL,
    furnace_id TEXT COLLATE "C" NOT NULL,
    subject_kind TEXT COLLATE "C" NOT NULL,         -- reading, adjustment
    subject_id TEXT COLLATE "C" NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    meaning TEXT COLLATE "C" NOT NULL,              -- reviewed, rejected
    comment TEXT COLLATE "C" NOT NULL,
    person TEXT COLLATE "C" NOT NULL,               -- staff code
    credential_id TEXT COLLATE "C" NOT NULL,        -- the person's own
    signed_at BIGINT NOT NULL,
    record_digest TEXT COLLATE "C" NOT NULL,        -- digest that the signed record's audit entry holds
    PRIMARY KEY (site_id, id),
    FOREIGN KEY (site_id, furnace_id) REFERENCES furnace (site_id, id)
);

CREATE INDEX sign_off_of_subject ON sign_off (site_id, furnace_id, subject_kind, subject_id);

-- The second component of a signature, beside the credential.
CREATE TABLE signing_phrase (
    credential_id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    phrase_hash TEXT COLLATE "C" NOT NULL,          -- salted, in the PHC string format
    failures BIGINT NOT NULL,                       -- wrong phrases since the last right one
    locked_until BIGINT,                            -- null when it is not locked
    updated_at BIGINT NOT NULL                      -- when it was set
);
