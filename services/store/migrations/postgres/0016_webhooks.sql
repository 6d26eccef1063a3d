-- Where changes are sent, and what became of each.

CREATE TABLE webhook (
    site_id TEXT COLLATE "C" NOT NULL,              -- '' for the whole network
    id TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    display_name TEXT COLLATE "C" NOT NULL,
    url TEXT COLLATE "C" NOT NULL,                  -- '' once deleted: it may hold what only the receiver is to know
    types TEXT COLLATE "C" NOT NULL,                -- JSON list; all when empty
    sites TEXT COLLATE "C" NOT NULL,                -- JSON list of site ids; all when empty
    is_ordered BOOLEAN NOT NULL,
    is_active BOOLEAN NOT NULL,
    generation BIGINT NOT NULL,                     -- which of its secrets is in force; they follow from a key outside the database
    previous_until BIGINT,                          -- until when the one before is signed with too
    key_id TEXT COLLATE "C" NOT NULL,               -- which key that is
    stopped_because TEXT COLLATE "C" NOT NULL,      -- why the server stopped sending; '' when it did not
    failing_since BIGINT,                           -- null while events arrive
    dead_since BIGINT,                              -- null unless an event was given up since one last arrived
    last_failure TEXT COLLATE "C" NOT NULL,
    last_arrived_at BIGINT,
    after_seq BIGINT NOT NULL,                      -- change up to which deliveries were made
    revision BIGINT NOT NULL,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    is_deleted BOOLEAN NOT NULL
);

CREATE TABLE webhook_delivery (
    webhook_id TEXT COLLATE "C" NOT NULL REFERENCES webhook (id),
    change_seq BIGINT NOT NULL,                     -- the change that it tells
    state TEXT COLLATE "C" NOT NULL,                -- waiting, arrived, dead
    attempts BIGINT NOT NULL,                       -- since it began to wait
    next_at BIGINT NOT NULL,
    made_at BIGINT NOT NULL,                        -- since when it waits
    tried_at BIGINT,                                -- null before the first attempt
    last_failure TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (webhook_id, change_seq)
);

CREATE INDEX webhook_delivery_waiting ON webhook_delivery (state, next_at);

-- As in the migration before, with the tables of this one.
CREATE OR REPLACE FUNCTION grant_rights() RETURNS VOID
    LANGUAGE plpgsql
    SET search_path = public, pg_temp
AS $$
DECLARE
    -- Worked out once for each statement, not for each row.
    reach CONSTANT TEXT := '((SELECT reached_sites())::TEXT[])';
    own CONSTANT TEXT := 'site_id = ANY ' || reach;
    own_or_shared CONSTANT TEXT := own || ' OR site_id = ''''';
    granted CONSTANT TEXT := '(' || own_or_shared || ') AND reaches_grant(whole_network, site_groups, sites)';
    has_server CONSTANT BOOLEAN := to_regrole('ringtrue_server') IS NOT NULL;
    has_scoped CONSTANT BOOLEAN := to_regrole('ringtrue_scoped') IS NOT NULL;
    called CONSTANT TEXT[] := ARRAY['all_sites', 'in_reach', 'read_in_reach', 'added_in_reach', 'changed_in_reach'];
    wanted TEXT[];
    stale TEXT;
    one RECORD;
BEGIN
    FOR one IN SELECT * FROM (VALUES
        -- Table, what the server may, what it may for callers of some sites, which rows these read, which they write;
        -- no rows stands for a table without row-level security. SELECT goes with UPDATE and DELETE, which look for
        -- their rows, and INSERT alone with what is only ever added to.
        ('site', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', 'id = ANY ' || reach, 'id = ANY ' || reach),
        ('furnace', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        ('programme', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        ('gauge', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        -- Batches, their tables and the fit of the network are shared; who keeps them reaches every site.
        ('ring_batch', 'SELECT, INSERT, UPDATE', 'SELECT', NULL, NULL),
        ('ring_table', 'SELECT, INSERT', 'SELECT', NULL, NULL),
        ('gauge_check', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        ('furnace_event', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        ('adjustment', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        ('reading', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        ('evaluation', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        ('amendment', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        -- A ring that another site has fired is to be told of: its row names a reading and says nothing of it.
        ('fired_ring', 'SELECT, INSERT', 'SELECT, INSERT', 'true', own),
        ('tracked_offset', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, INSERT, UPDATE, DELETE', own, own),
        ('gauge_scatter', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, INSERT, UPDATE, DELETE', own, own),
        ('reference_version', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        -- Of the network's own chain its last entry, which the next one hangs on, and what repeats of a request about
        -- a grant of several sites are answered with. It is written by signing phrases and such grants.
        ('audit', 'SELECT, INSERT', 'SELECT, INSERT', own || ' OR (site_id = '''' AND (seq >= (SELECT'
            ' network_chain_length()) OR reaches_entry(action, document)))', own_or_shared),
        -- An id that was used at another site must be found, to refuse it. The answer itself is in the audit chain.
        ('request', 'SELECT, INSERT', 'SELECT, INSERT', 'true', own_or_shared),
        ('fleet_change', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        ('fleet_fit', 'SELECT, INSERT, UPDATE', 'SELECT', NULL, NULL),
        ('site_fit', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT', own, NULL),
        ('work_lease', 'SELECT, INSERT, UPDATE', NULL, NULL, NULL),
        -- What is found about a shared batch everybody sees; who keeps the batches answers it.
        ('finding', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own_or_shared, own),
        -- The network's rules bear on every site.
        ('schedule_rule', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own_or_shared, own),
        ('care_act', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        -- An entry in the network's own chain puts the network on the agenda.
        ('site_agenda', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own_or_shared, own_or_shared),
        -- As with findings, but that whose credential ends is for who keeps the whole network.
        ('alert', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE',
            own || ' OR (site_id = '''' AND kind <> ''credential_ends'')', own),
        ('alert_change', 'SELECT, INSERT', 'SELECT, INSERT',
            own || ' OR (site_id = '''' AND json_extract(document, ''$.kind'') <> ''credential_ends'')', own),
        ('schema_compatibility', 'SELECT', NULL, NULL, NULL),
        ('work_run', 'SELECT, INSERT, UPDATE', NULL, NULL, NULL),
        -- Subscriptions of the whole network are for who keeps it.
        ('mail_subscription', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        -- Whoever deletes a subscription gives up its mail. Mail tells of alerts, so it goes by its subscription.
        ('mail', 'SELECT, INSERT, UPDATE', 'SELECT, UPDATE',
            'EXISTS (SELECT 1 FROM mail_subscription AS s WHERE s.id = subscription_id)',
            'EXISTS (SELECT 1 FROM mail_subscription AS s WHERE s.id = subscription_id)'),
        ('calendar_feed', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        ('credential', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', granted, granted),
        ('credential_use', 'SELECT, INSERT, UPDATE', 'SELECT',
            'EXISTS (SELECT 1 FROM credential AS c WHERE c.id = credential_id)', NULL),
        ('enrolment', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', granted, granted),
        ('site_group', 'SELECT, INSERT, UPDATE', 'SELECT', 'reaches_any(sites)', NULL),
        ('access_version', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        -- Their text names the ends of all chains; the store shows each caller those in reach.
        ('audit_checkpoint', 'SELECT, INSERT', 'SELECT', NULL, NULL),
        ('audit_covered', 'SELECT, INSERT, UPDATE', NULL, 'false', NULL),
        ('sign_off', 'SELECT, INSERT', 'SELECT, INSERT', own, own),
        -- Of a person, not of a site: who signs may hold a credential of several sites or of a group.
        ('signing_phrase', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', NULL, NULL),
        ('alert_log_end', 'SELECT', 'SELECT', NULL, NULL),
        -- What is told of the network to everybody is told to callers of some sites too. The server puts away old rows.
        ('change', 'SELECT, INSERT, DELETE', 'SELECT', own || ' OR is_shared', NULL),
        ('change_log', 'SELECT, UPDATE', NULL, NULL, NULL),
        ('change_place', 'SELECT, INSERT, UPDATE', NULL, 'false', NULL),
        -- Webhooks of the whole network are for who keeps it; deliveries go by their webhook.
        ('webhook', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', own, own),
        ('webhook_delivery', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, UPDATE',
            'EXISTS (SELECT 1 FROM webhook AS w WHERE w.id = webhook_id)',
            'EXISTS (SELECT 1 FROM webhook AS w WHERE w.id = webhook_id)')
        ) AS rights (at_table, server_may, scoped_may, reads, writes)
    LOOP
        IF has_server THEN
            EXECUTE format('REVOKE ALL ON %I FROM ringtrue_server', one.at_table);
            EXECUTE format('GRANT %s ON %I TO ringtrue_server', one.server_may, one.at_table);
        END IF;
        IF has_scoped THEN
            EXECUTE format('REVOKE ALL ON %I FROM ringtrue_scoped', one.at_table);
            IF one.scoped_may IS NOT NULL THEN
                EXECUTE format('GRANT %s ON %I TO ringtrue_scoped', one.scoped_may, one.at_table);
            END IF;
        END IF;
        CONTINUE WHEN one.reads IS NULL;
        wanted := '{}';
        IF has_server THEN
            PERFORM put_policy(one.at_table, 'all_sites', 'TO ringtrue_server USING (true) WITH CHECK (true)');
            wanted := wanted || 'all_sites'::TEXT;
        END IF;
        IF has_scoped AND one.reads = one.writes THEN
            PERFORM put_policy(one.at_table, 'in_reach',
                format('TO ringtrue_scoped USING (%s) WITH CHECK (%s)', one.reads, one.writes));
            wanted := wanted || 'in_reach'::TEXT;
        ELSIF has_scoped THEN
            PERFORM put_policy(one.at_table, 'read_in_reach',
                format('FOR SELECT TO ringtrue_scoped USING (%s)', one.reads));
            wanted := wanted || 'read_in_reach'::TEXT;
            IF one.writes IS NOT NULL THEN
                PERFORM put_policy(one.at_table, 'added_in_reach',
                    format('FOR INSERT TO ringtrue_scoped WITH CHECK (%s)', one.writes));
                PERFORM put_policy(one.at_table, 'changed_in_reach',
                    format('FOR UPDATE TO ringtrue_scoped USING (%s) WITH CHECK (%s)', one.writes, one.writes));
                wanted := wanted || ARRAY['added_in_reach', 'changed_in_reach'];
            END IF;
        END IF;
        -- One of an earlier version would go on letting rows through: what any policy allows is allowed.
        FOR stale IN SELECT p.polname FROM pg_policy AS p WHERE p.polrelid = one.at_table::REGCLASS
            AND p.polname = ANY (called) AND p.polname <> ALL (wanted) LOOP
            EXECUTE format('DROP POLICY %I ON %I', stale, one.at_table);
        END LOOP;
        IF (has_server OR has_scoped)
            AND NOT (SELECT relrowsecurity FROM pg_class WHERE oid = one.at_table::REGCLASS) THEN
            EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', one.at_table);
        END IF;
    END LOOP;
    IF has_scoped THEN
        GRANT USAGE ON SCHEMA public TO ringtrue_scoped;
        GRANT EXECUTE ON FUNCTION network_chain_length() TO ringtrue_scoped;
    END IF;
    IF has_server THEN
        EXECUTE format('GRANT CONNECT ON DATABASE %I TO ringtrue_server', current_database());
        GRANT USAGE ON SCHEMA public TO ringtrue_server;
        GRANT EXECUTE ON FUNCTION network_chain_length(), make_partitions(INTEGER, INTEGER) TO ringtrue_server;
        -- Which migrations were run, so that the server can refuse a database of another version.
        IF to_regclass('_sqlx_migrations') IS NOT NULL THEN
            GRANT SELECT ON _sqlx_migrations TO ringtrue_server;
        END IF;
    END IF;
END;
$$;

SELECT grant_rights();
