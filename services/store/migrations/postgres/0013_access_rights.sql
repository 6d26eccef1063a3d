-- Who may do what with which rows: rights and row-level security, a second wall behind the scopes of the store.
--
-- Three roles, which an administrator makes once with deploy/postgresql/roles.sql: `ringtrue_migrator` owns the database
-- and everything in it, `ringtrue_server` is what the server connects as, `ringtrue_scoped` is what it turns into on
-- behalf of callers who may see some sites only. Such a transaction begins with
--
--     SELECT set_config('role', 'ringtrue_scoped', true), set_config('ringtrue.reach', '{"porto","north"}', true)
--
-- and then sees and touches rows of these sites alone, whatever a statement forgets to ask. Each id stands in double
-- quotes: a site may be called null. Without the setting nothing is seen. This guards against faults of our statements;
-- whoever can send statements of their own can turn back into the server.
--
-- The owner sees everything, so `migrate`, `verify` and whatever repairs run as ringtrue_migrator. Where the roles do not
-- exist, one user owns everything and there is no wall. It stands once roles.sql was run and `migrate` after it, since
-- every `migrate` calls grant_rights() again. A later migration that makes a table adds its rows to rights().

-- Which programs may serve this database, so that servers of two versions can work on it side by side while it is
-- upgraded. A migration that only adds leaves the number as it is; one that takes something away, once no server of the
-- version before is left, raises it to its own number.
CREATE TABLE schema_compatibility (
    id BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    oldest_program BIGINT NOT NULL                  -- newest migration that the oldest such program knows
);

INSERT INTO schema_compatibility (id, oldest_program) VALUES (1, 13);

-- The last number of the log of alert changes. A view has its owner's rights: the next number follows from all changes,
-- also from those that whoever asks may not see.
CREATE VIEW alert_log_end AS SELECT COALESCE(MAX(seq), 0) AS seq FROM alert_change;

-- How long the network's own chain is, for the same reason: the next entry hangs on its last one.
CREATE FUNCTION network_chain_length() RETURNS BIGINT
    LANGUAGE sql STABLE PARALLEL SAFE SECURITY DEFINER
    SET search_path = public, pg_temp
    AS $$ SELECT COALESCE(MAX(seq), 0) FROM audit WHERE site_id = '' $$;

REVOKE ALL ON FUNCTION network_chain_length() FROM PUBLIC;

-- The sites in reach; NULL, which reaches nothing, when it was not said.
CREATE FUNCTION reached_sites() RETURNS TEXT[]
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN NULLIF(current_setting('ringtrue.reach', true), '')::TEXT[];

-- Whether some sites are in reach, all of them or any; a JSON list of ids.
CREATE FUNCTION reaches_all(sites TEXT) RETURNS BOOLEAN
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN COALESCE(reached_sites() @> ARRAY(SELECT value FROM json_each(sites)), false);

CREATE FUNCTION reaches_any(sites TEXT) RETURNS BOOLEAN
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN COALESCE(reached_sites() && ARRAY(SELECT value FROM json_each(sites)), false);

-- Whether all that a grant of several places is for is in reach, as the store decides it: a group may get further sites,
-- so it takes the whole network.
CREATE FUNCTION reaches_grant(whole_network BOOLEAN, site_groups TEXT, sites TEXT) RETURNS BOOLEAN
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN CASE WHEN whole_network OR site_groups <> '[]' OR sites = '[]' THEN false ELSE reaches_all(sites) END;

-- Whether an entry of the network's own chain is about a grant in reach. The other entries of that chain are for who
-- keeps the whole network.
CREATE FUNCTION reaches_entry(action TEXT, document TEXT) RETURNS BOOLEAN
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN CASE WHEN action LIKE 'credential.%' OR action LIKE 'enrolment.%' THEN reaches_grant(
        CAST(json_extract(document, '$.whole_network') AS BOOLEAN),
        json_extract(document, '$.site_groups'),
        json_extract(document, '$.sites')) ELSE false END;

-- What a policy was asked to say and what it says: a comment on it, so that one that was altered is made anew.
CREATE FUNCTION policy_shape(at_table TEXT, called TEXT, says TEXT) RETURNS TEXT
    LANGUAGE sql STABLE
    RETURN (SELECT concat_ws(chr(10), says, p.polcmd, p.polpermissive, p.polroles::TEXT,
            md5(concat_ws(chr(10), pg_get_expr(p.polqual, p.polrelid), pg_get_expr(p.polwithcheck, p.polrelid))))
        FROM pg_policy AS p WHERE p.polrelid = at_table::REGCLASS AND p.polname = called);

-- Makes a policy unless it is there already as it should be: making one shuts everybody out of its table for a moment.
CREATE FUNCTION put_policy(at_table TEXT, called TEXT, says TEXT) RETURNS VOID
    LANGUAGE plpgsql
    SET search_path = public, pg_temp
AS $$
DECLARE
    noted TEXT;
BEGIN
    SELECT COALESCE(obj_description(p.oid, 'pg_policy'), '') INTO noted FROM pg_policy AS p
        WHERE p.polrelid = at_table::REGCLASS AND p.polname = called;
    IF noted = policy_shape(at_table, called, says) THEN
        RETURN;
    ELSIF noted IS NOT NULL THEN
        EXECUTE format('DROP POLICY %I ON %I', called, at_table);
    END IF;
    EXECUTE format('CREATE POLICY %I ON %I %s', called, at_table, says);
    EXECUTE format('COMMENT ON POLICY %I ON %I IS %L', called, at_table, policy_shape(at_table, called, says));
END;
$$;

REVOKE ALL ON FUNCTION put_policy(TEXT, TEXT, TEXT) FROM PUBLIC;

-- What rules of rows are put together from. Worked out once for each statement, not for each row.
CREATE FUNCTION rule_words() RETURNS TABLE (reach TEXT, own TEXT, own_or_shared TEXT, granted TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT r.reach, o.own, s.own_or_shared,
        '(' || s.own_or_shared || ') AND reaches_grant(whole_network, site_groups, sites)'
    FROM (SELECT '((SELECT reached_sites())::TEXT[])') AS r (reach),
        LATERAL (SELECT 'site_id = ANY ' || r.reach) AS o (own),
        LATERAL (SELECT o.own || ' OR site_id = ''''') AS s (own_or_shared)
$$;

REVOKE ALL ON FUNCTION rule_words() FROM PUBLIC;

-- Table, what the server may, what it may for callers of some sites, which rows these read, which they write; no rows
-- stands for a table without row-level security. SELECT goes with UPDATE and DELETE, which look for their rows, and
-- INSERT alone with what is only ever added to. A later migration that makes a table renames this function after the
-- migration before it, and makes a new one that adds its own rows.
CREATE FUNCTION rights() RETURNS TABLE (at_table TEXT, server_may TEXT, scoped_may TEXT, reads TEXT, writes TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT rights.* FROM rule_words() AS w, LATERAL (VALUES
        ('site', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', 'id = ANY ' || w.reach, 'id = ANY ' || w.reach),
        ('furnace', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('programme', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('gauge', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        -- Batches, their tables and the fit of the network are shared; who keeps them reaches every site.
        ('ring_batch', 'SELECT, INSERT, UPDATE', 'SELECT', NULL, NULL),
        ('ring_table', 'SELECT, INSERT', 'SELECT', NULL, NULL),
        ('gauge_check', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('furnace_event', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('adjustment', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('reading', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('evaluation', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        ('amendment', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        -- A ring that another site has fired is to be told of: its row names a reading and says nothing of it.
        ('fired_ring', 'SELECT, INSERT', 'SELECT, INSERT', 'true', w.own),
        ('tracked_offset', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, INSERT, UPDATE, DELETE', w.own, w.own),
        ('gauge_scatter', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT, INSERT, UPDATE, DELETE', w.own, w.own),
        ('reference_version', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        -- Of the network's own chain its last entry, which the next one hangs on, and what repeats of a request about
        -- a grant of several sites are answered with. It is written by signing phrases and such grants.
        ('audit', 'SELECT, INSERT', 'SELECT, INSERT', w.own || ' OR (site_id = '''' AND (seq >= (SELECT'
            ' network_chain_length()) OR reaches_entry(action, document)))', w.own_or_shared),
        -- An id that was used at another site must be found, to refuse it. The answer itself is in the audit chain.
        ('request', 'SELECT, INSERT', 'SELECT, INSERT', 'true', w.own_or_shared),
        ('fleet_change', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        ('fleet_fit', 'SELECT, INSERT, UPDATE', 'SELECT', NULL, NULL),
        ('site_fit', 'SELECT, INSERT, UPDATE, DELETE', 'SELECT', w.own, NULL),
        ('work_lease', 'SELECT, INSERT, UPDATE', NULL, NULL, NULL),
        -- What is found about a shared batch everybody sees; who keeps the batches answers it.
        ('finding', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own_or_shared, w.own),
        -- The network's rules bear on every site.
        ('schedule_rule', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own_or_shared, w.own),
        ('care_act', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        -- An entry in the network's own chain puts the network on the agenda.
        ('site_agenda', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own_or_shared, w.own_or_shared),
        -- As with findings, but that whose credential ends is for who keeps the whole network.
        ('alert', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE',
            w.own || ' OR (site_id = '''' AND kind <> ''credential_ends'')', w.own),
        ('alert_change', 'SELECT, INSERT', 'SELECT, INSERT',
            w.own || ' OR (site_id = '''' AND json_extract(document, ''$.kind'') <> ''credential_ends'')', w.own),
        ('schema_compatibility', 'SELECT', NULL, NULL, NULL),
        ('work_run', 'SELECT, INSERT, UPDATE', NULL, NULL, NULL),
        -- Subscriptions of the whole network are for who keeps it.
        ('mail_subscription', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        -- Whoever deletes a subscription gives up its mail. Mail tells of alerts, so it goes by its subscription.
        ('mail', 'SELECT, INSERT, UPDATE', 'SELECT, UPDATE',
            'EXISTS (SELECT 1 FROM mail_subscription AS s WHERE s.id = subscription_id)',
            'EXISTS (SELECT 1 FROM mail_subscription AS s WHERE s.id = subscription_id)'),
        ('calendar_feed', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.own, w.own),
        ('credential', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.granted, w.granted),
        ('credential_use', 'SELECT, INSERT, UPDATE', 'SELECT',
            'EXISTS (SELECT 1 FROM credential AS c WHERE c.id = credential_id)', NULL),
        ('enrolment', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', w.granted, w.granted),
        ('site_group', 'SELECT, INSERT, UPDATE', 'SELECT', 'reaches_any(sites)', NULL),
        ('access_version', 'SELECT, UPDATE', 'SELECT, UPDATE', NULL, NULL),
        -- Their text names the ends of all chains; the store shows each caller those in reach.
        ('audit_checkpoint', 'SELECT, INSERT', 'SELECT', NULL, NULL),
        ('audit_covered', 'SELECT, INSERT, UPDATE', NULL, 'false', NULL),
        ('sign_off', 'SELECT, INSERT', 'SELECT, INSERT', w.own, w.own),
        -- Of a person, not of a site: who signs may hold a credential of several sites or of a group.
        ('signing_phrase', 'SELECT, INSERT, UPDATE', 'SELECT, INSERT, UPDATE', NULL, NULL),
        ('alert_log_end', 'SELECT', 'SELECT', NULL, NULL)
    ) AS rights (at_table, server_may, scoped_may, reads, writes)
$$;

REVOKE ALL ON FUNCTION rights() FROM PUBLIC;

-- Gives the roles that exist exactly the rights that they need, and takes every other one of theirs away. May be called
-- again and again.
CREATE FUNCTION grant_rights() RETURNS VOID
    LANGUAGE plpgsql
    SET search_path = public, pg_temp
AS $$
DECLARE
    has_server CONSTANT BOOLEAN := to_regrole('ringtrue_server') IS NOT NULL;
    has_scoped CONSTANT BOOLEAN := to_regrole('ringtrue_scoped') IS NOT NULL;
    called CONSTANT TEXT[] := ARRAY['all_sites', 'in_reach', 'read_in_reach', 'added_in_reach', 'changed_in_reach'];
    wanted TEXT[];
    stale TEXT;
    one RECORD;
BEGIN
    FOR one IN SELECT * FROM rights()
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

REVOKE ALL ON FUNCTION grant_rights() FROM PUBLIC;

SELECT grant_rights();
