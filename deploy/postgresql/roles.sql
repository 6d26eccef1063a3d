-- Makes the roles that Ringtrue's database goes by; run it once as an administrator of the PostgreSQL cluster (15 or
-- later), on any database of it. Running it again does no harm.
--
--     psql -d postgres -v ON_ERROR_STOP=1 -f roles.sql
--
-- ringtrue_migrator  owns the database and everything in it: runs `ringtrue-server migrate` and `verify`
-- ringtrue_server    is what `ringtrue-server serve` connects as: reads everything, adds, changes what may change
-- ringtrue_scoped    nobody connects as it: the server turns into it for callers who may see some sites only, and
--                    row-level security then shows it no other site's rows
--
-- There are no passwords here. Set them so that they stand in no file and no log, or let pg_hba.conf ask for a
-- certificate or for the operating system's user instead:
--
--     psql -d postgres -c '\password ringtrue_migrator'
--     psql -d postgres -c '\password ringtrue_server'
--
-- Then make the database, and shut everybody else out of it:
--
--     CREATE DATABASE ringtrue OWNER ringtrue_migrator TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C';
--     REVOKE ALL ON DATABASE ringtrue FROM PUBLIC;
--     GRANT CONNECT ON DATABASE ringtrue TO ringtrue_server;
--
-- and `ringtrue-server migrate` as ringtrue_migrator makes the tables and gives the roles their rights. When the tables
-- were there before the roles, hand them to ringtrue_migrator (REASSIGN OWNED BY ... TO ringtrue_migrator, in that
-- database) and run `migrate` once more. One cluster holds one network: the roles are the same in all its databases.

DO $$
BEGIN
    IF to_regrole('ringtrue_migrator') IS NULL THEN
        CREATE ROLE ringtrue_migrator LOGIN;
    END IF;
    IF to_regrole('ringtrue_server') IS NULL THEN
        CREATE ROLE ringtrue_server LOGIN NOINHERIT;
    END IF;
    IF to_regrole('ringtrue_scoped') IS NULL THEN
        CREATE ROLE ringtrue_scoped NOLOGIN;
    END IF;
END;
$$;

-- The server may turn into ringtrue_scoped, but has none of its rights and rules as itself.
ALTER ROLE ringtrue_server LOGIN NOINHERIT;
ALTER ROLE ringtrue_scoped NOLOGIN;
GRANT ringtrue_scoped TO ringtrue_server;

-- Whoever passes by row-level security, or may become somebody who does, would make the wall worth nothing.
DO $$
DECLARE
    wrong TEXT;
BEGIN
    SELECT string_agg(r.rolname, ', ' ORDER BY r.rolname) INTO wrong FROM pg_roles AS r
        WHERE r.rolname IN ('ringtrue_server', 'ringtrue_scoped')
            AND (r.rolsuper OR r.rolbypassrls OR r.rolcreaterole
                OR pg_has_role(r.rolname, 'ringtrue_migrator', 'MEMBER'));
    IF wrong IS NOT NULL THEN
        RAISE EXCEPTION 'these roles may do too much: %', wrong
            USING HINT = 'Take SUPERUSER, BYPASSRLS, CREATEROLE and membership of ringtrue_migrator away from them.';
    END IF;
    IF pg_has_role('ringtrue_scoped', 'ringtrue_server', 'MEMBER') THEN
        RAISE EXCEPTION 'ringtrue_scoped may become ringtrue_server'
            USING HINT = 'REVOKE ringtrue_server FROM ringtrue_scoped;';
    END IF;
END;
$$;
