-- Callers of some sites read a site's chain in its order too. With OR in the rule of rows PostgreSQL gathered the whole
-- chain and sorted it, for its last entry as for a page; a CASE is no condition that it could look for.
ALTER FUNCTION rights() RENAME TO rights_until_0016;

CREATE FUNCTION rights() RETURNS TABLE (at_table TEXT, server_may TEXT, scoped_may TEXT, reads TEXT, writes TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    SET search_path = public, pg_temp
AS $$
    SELECT r.at_table, r.server_may, r.scoped_may,
        CASE r.at_table WHEN 'audit' THEN 'CASE WHEN site_id = '''' THEN seq >= (SELECT network_chain_length())'
            ' OR reaches_entry(action, document) ELSE ' || w.own || ' END' ELSE r.reads END,
        r.writes
    FROM rights_until_0016() AS r, rule_words() AS w
$$;

REVOKE ALL ON FUNCTION rights() FROM PUBLIC;

SELECT grant_rights();
