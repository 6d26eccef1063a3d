-- Who may do what: credentials, the enrolments they come of, and groups of sites.

CREATE TABLE credential (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,       -- a UUID
    site_id TEXT COLLATE "C" NOT NULL,              -- its one site; '' for several, a group or the network
    display_name TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,                 -- device, person, integration
    person TEXT COLLATE "C" NOT NULL,               -- staff code; '' unless a person
    role TEXT COLLATE "C" NOT NULL,
    permissions TEXT COLLATE "C" NOT NULL,          -- JSON list: read, record, note; empty unless an integration
    whole_network BOOLEAN NOT NULL,
    sites TEXT COLLATE "C" NOT NULL,                -- JSON list of site ids
    site_groups TEXT COLLATE "C" NOT NULL,          -- JSON list of ids of groups
    lifetime_days BIGINT NOT NULL,
    secret_digest TEXT COLLATE "C" NOT NULL,        -- SHA-256 of the secret, hexadecimal; '' for none
    previous_digest TEXT COLLATE "C" NOT NULL,      -- the same of the secret before; '' for none
    previous_until BIGINT,                          -- until when that still works
    certificate_digest TEXT COLLATE "C" NOT NULL,   -- SHA-256 of the client certificate (DER), hexadecimal; '' for none
    created_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    revoked_at BIGINT,
    revoke_reason TEXT COLLATE "C" NOT NULL
);

CREATE UNIQUE INDEX credential_of_certificate ON credential (certificate_digest)
    WHERE certificate_digest <> '' AND revoked_at IS NULL;

CREATE INDEX credential_of_site ON credential (site_id, expires_at);

-- When each credential was used last, to some minutes. Not a record: it is written over.
CREATE TABLE credential_use (
    credential_id TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES credential (id),
    used_at BIGINT NOT NULL,
    address TEXT COLLATE "C" NOT NULL
);

CREATE TABLE enrolment (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,       -- a UUID
    site_id TEXT COLLATE "C" NOT NULL,              -- as in credential, and so the next eight
    display_name TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    person TEXT COLLATE "C" NOT NULL,
    role TEXT COLLATE "C" NOT NULL,
    permissions TEXT COLLATE "C" NOT NULL,
    whole_network BOOLEAN NOT NULL,
    sites TEXT COLLATE "C" NOT NULL,
    site_groups TEXT COLLATE "C" NOT NULL,
    lifetime_days BIGINT NOT NULL,
    selector TEXT COLLATE "C" NOT NULL UNIQUE,      -- the first characters of the code: they find it
    proof_hash TEXT COLLATE "C" NOT NULL,           -- argon2id of the other characters (PHC string)
    tries BIGINT NOT NULL,                          -- wrong codes so far
    created_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    made TEXT COLLATE "C" NOT NULL,                 -- the credential that came of it; '' before
    made_secret_digest TEXT COLLATE "C" NOT NULL,   -- SHA-256 of the secret it was used with; '' before
    revoked_at BIGINT
);

CREATE TABLE site_group (
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    display_name TEXT COLLATE "C" NOT NULL,
    sites TEXT COLLATE "C" NOT NULL,                -- JSON list of site ids
    is_removed BOOLEAN NOT NULL,                    -- kept, so that its id is not given to other sites
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL
);

-- One number that every change of a credential or a group raises in its own transaction: what is remembered of
-- them holds while it stands.
CREATE TABLE access_version (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    version BIGINT NOT NULL
);

INSERT INTO access_version (id, version) VALUES (1, 1);
