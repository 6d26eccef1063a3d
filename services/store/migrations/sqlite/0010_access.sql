-- Who may do what: credentials, the enrolments they come of, and groups of sites.

CREATE TABLE credential (
    id TEXT NOT NULL PRIMARY KEY,                   -- a UUID
    site_id TEXT NOT NULL,                          -- its one site; '' for several, a group or the network
    display_name TEXT NOT NULL,
    kind TEXT NOT NULL,                             -- device, person, integration
    person TEXT NOT NULL,                           -- staff code; '' unless a person
    role TEXT NOT NULL,
    permissions TEXT NOT NULL,                      -- JSON list: read, record, note; empty unless an integration
    whole_network INTEGER NOT NULL,
    sites TEXT NOT NULL,                            -- JSON list of site ids
    site_groups TEXT NOT NULL,                      -- JSON list of ids of groups
    lifetime_days INTEGER NOT NULL,
    secret_digest TEXT NOT NULL,                    -- SHA-256 of the secret, hexadecimal; '' for none
    previous_digest TEXT NOT NULL,                  -- the same of the secret before; '' for none
    previous_until INTEGER,                         -- until when that still works
    certificate_digest TEXT NOT NULL,               -- SHA-256 of the client certificate (DER), hexadecimal; '' for none
    created_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    revoked_at INTEGER,
    revoke_reason TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX credential_of_certificate ON credential (certificate_digest)
    WHERE certificate_digest <> '' AND revoked_at IS NULL;

CREATE INDEX credential_of_site ON credential (site_id, expires_at);

-- When each credential was used last, to some minutes. Not a record: it is written over.
CREATE TABLE credential_use (
    credential_id TEXT NOT NULL PRIMARY KEY REFERENCES credential (id),
    used_at INTEGER NOT NULL,
    address TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE enrolment (
    id TEXT NOT NULL PRIMARY KEY,                   -- a UUID
    site_id TEXT NOT NULL,                          -- as in credential, and so the next eight
    display_name TEXT NOT NULL,
    kind TEXT NOT NULL,
    person TEXT NOT NULL,
    role TEXT NOT NULL,
    permissions TEXT NOT NULL,
    whole_network INTEGER NOT NULL,
    sites TEXT NOT NULL,
    site_groups TEXT NOT NULL,
    lifetime_days INTEGER NOT NULL,
    selector TEXT NOT NULL UNIQUE,                  -- the first characters of the code: they find it
    proof_hash TEXT NOT NULL,                       -- argon2id of the other characters (PHC string)
    tries INTEGER NOT NULL,                         -- wrong codes so far
    created_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    made TEXT NOT NULL,                             -- the credential that came of it; '' before
    made_secret_digest TEXT NOT NULL,               -- SHA-256 of the secret it was used with; '' before
    revoked_at INTEGER
) STRICT, WITHOUT ROWID;

CREATE TABLE site_group (
    id TEXT NOT NULL PRIMARY KEY,
    display_name TEXT NOT NULL,
    sites TEXT NOT NULL,                            -- JSON list of site ids
    is_removed INTEGER NOT NULL,                    -- kept, so that its id is not given to other sites
    revision INTEGER NOT NULL,
    created_at INTEGER NOT NULL,
    updated_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- One number that every change of a credential or a group raises in its own transaction: what is remembered of
-- them holds while it stands.
CREATE TABLE access_version (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    version INTEGER NOT NULL
) STRICT;

INSERT INTO access_version (id, version) VALUES (1, 1);
