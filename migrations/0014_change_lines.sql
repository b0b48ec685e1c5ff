-- Who changed what. Each change of a thing that people or programs tell apart leaves a line, in the same transaction and by
-- the database itself, so that no way of changing it can be forgotten and none leaves a line that did not happen. A
-- transaction says on whose behalf it is (`app.act`: who, identifier, role, request, operation, with `|` between them).
-- Nothing of what was written stands in a line: no document, no secret.

-- Written by functions that run as the owner. The login role may read it and no more: it can neither write a line, nor
-- change or delete one. No foreign keys: their checks would take locks, and nothing that is named here is ever deleted but
-- webhooks.
CREATE TABLE change_line (
    company_id     uuid        NOT NULL,
    at             timestamptz NOT NULL DEFAULT clock_timestamp(),
    id             uuid        NOT NULL DEFAULT gen_random_uuid(),
    -- Of the thing: what it is, as addresses of the API call it (a key, or the identifier), and its identifier.
    kind           text        COLLATE "C" NOT NULL,
    thing          text        COLLATE "C" NOT NULL,
    thing_id       uuid        NOT NULL,
    change         text        COLLATE "C" NOT NULL,
    -- Where it has versions.
    version_before bigint,
    version_after  bigint,
    who            text        COLLATE "C" NOT NULL
                   CHECK (who IN ('token', 'person', 'crew_link', 'operator', 'command', 'server', 'database')),
    who_id         uuid,
    role           text        COLLATE "C",
    operation      text        NOT NULL,
    request_id     uuid,
    PRIMARY KEY (company_id, at, id)
);
CREATE INDEX change_line_by_thing ON change_line (company_id, kind, thing, at, id);
CREATE INDEX change_line_by_who ON change_line (company_id, who_id, at, id) WHERE who_id IS NOT NULL;
-- Lines come in the order of their instants, so this is enough to find the oldest, and costs next to nothing.
CREATE INDEX change_line_by_age ON change_line USING brin (at);

ALTER TABLE change_line ENABLE ROW LEVEL SECURITY;
ALTER TABLE change_line FORCE ROW LEVEL SECURITY;
CREATE POLICY own_company ON change_line
    USING (company_id = nullif(current_setting('app.company', true), '')::uuid)
    WITH CHECK (company_id = nullif(current_setting('app.company', true), '')::uuid);
CREATE POLICY owner_reads ON change_line FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_prunes ON change_line FOR DELETE TO CURRENT_USER USING (true);

-- Whether an event is only the history's copy of another change, which has a line of its own.
ALTER TABLE event ADD COLUMN copied boolean NOT NULL DEFAULT false;

-- (Conditions are written as PostgreSQL shows them, so that a restored database has the very same.)
-- For each table a function of its own, because documents are large and a general one would take whole rows apart.
DO $$
DECLARE
    of       record;
    body     text;
BEGIN
    FOR of IN SELECT * FROM (VALUES
        -- table, kind, thing, versions, what an update is, which updates
        ('company', 'company', 'NEW.id::text', true, '''changed''',
            'OLD.name IS DISTINCT FROM NEW.name OR OLD.settings IS DISTINCT FROM NEW.settings OR
             OLD.version IS DISTINCT FROM NEW.version'),
        ('house', 'house', 'NEW.key', true, 'archived', ''),
        ('crew', 'crew', 'NEW.key', true, 'archived', ''),
        ('equipment', 'equipment', 'NEW.key', true, 'archived', ''),
        ('method', 'method', 'NEW.key', true, 'archived', ''),
        ('region', 'region', 'NEW.key', true, 'archived', ''),
        ('job', 'job', 'NEW.key', true, '''changed''', ''),
        ('step_record', 'record', 'NEW.id::text', false, '''changed''', ''),
        ('house_air_reading', 'air_reading', 'NEW.id::text', false, '''changed''', ''),
        ('event', 'event', 'NEW.id::text', false, '''changed''', ''),
        ('plan', 'plan', 'NEW.id::text', true, 'NEW.status', ''),
        ('token', 'token', 'NEW.id::text', false, 'revoked',
            'OLD.name IS DISTINCT FROM NEW.name OR OLD.role IS DISTINCT FROM NEW.role OR
             OLD.crew_id IS DISTINCT FROM NEW.crew_id OR OLD.secret_sha256 IS DISTINCT FROM NEW.secret_sha256 OR
             OLD.expires_at IS DISTINCT FROM NEW.expires_at OR OLD.revoked_at IS DISTINCT FROM NEW.revoked_at'),
        ('feed', 'feed', 'NEW.id::text', false, 'revoked', 'OLD.* IS DISTINCT FROM NEW.*'),
        ('webhook', 'webhook', 'NEW.id::text', true, '''changed''', ''),
        -- Sent again because somebody wants it to be.
        ('delivery', 'delivery', 'NEW.id::text', false, '''changed''',
            'OLD.status <> ''waiting'' AND NEW.status = ''waiting'''),
        ('person', 'person', 'NEW.id::text', false, 'revoked', 'OLD.* IS DISTINCT FROM NEW.*'),
        ('crew_link', 'crew_link', 'NEW.id::text', false, 'revoked',
            'OLD.name IS DISTINCT FROM NEW.name OR OLD.crew_id IS DISTINCT FROM NEW.crew_id OR
             OLD.secret_sha256 IS DISTINCT FROM NEW.secret_sha256 OR
             OLD.revoked_at IS DISTINCT FROM NEW.revoked_at'),
        ('browser_session', 'browser_session', 'NEW.id::text', false, 'revoked',
            'OLD.revoked_at IS DISTINCT FROM NEW.revoked_at')
    ) AS v (tenant, kind, thing, versions, updated, which)
    LOOP
        IF of.updated IN ('archived', 'revoked') THEN
            of.updated := format('CASE WHEN OLD.%1$s_at IS NULL AND NEW.%1$s_at IS NOT NULL THEN ''removed'' ELSE ''changed'' END',
                                 of.updated);
        END IF;
        body := format($body$
            DECLARE
                act     text[] := string_to_array(nullif(current_setting('app.act', true), ''), '|');
                changed text := 'created';
                before  bigint;
                after   bigint;
            BEGIN
                IF TG_OP = 'DELETE' THEN
                    changed := 'removed';
                    NEW := OLD;
                ELSIF TG_OP = 'UPDATE' THEN
                    changed := %3$s;
                END IF;
                %4$s
                INSERT INTO change_line (company_id, kind, thing, thing_id, change, version_before, version_after, who, who_id,
                                         role, operation, request_id)
                VALUES (NEW.%5$I, %1$L, %2$s, NEW.id, changed, before, after, coalesce(act[1], 'database'),
                        nullif(act[2], '')::uuid, nullif(act[3], ''), coalesce(act[5], ''), nullif(act[4], '')::uuid);
                RETURN NULL;
            END $body$,
            of.kind, of.thing, of.updated,
            CASE WHEN of.versions THEN
                'IF TG_OP <> ''INSERT'' THEN before := OLD.version; END IF; IF TG_OP <> ''DELETE'' THEN after := NEW.version; END IF;'
            END,
            CASE of.tenant WHEN 'company' THEN 'id' ELSE 'company_id' END);
        EXECUTE format('CREATE FUNCTION %I() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
                            SET search_path = public, pg_temp AS %L', 'line_of_' || of.tenant, body);
        EXECUTE format('REVOKE ALL ON FUNCTION %I() FROM PUBLIC', 'line_of_' || of.tenant);
        EXECUTE format('CREATE TRIGGER line_of_insert AFTER INSERT ON %1$I FOR EACH ROW %3$s EXECUTE FUNCTION %2$I()',
                       of.tenant, 'line_of_' || of.tenant, CASE of.tenant WHEN 'event' THEN 'WHEN (NOT NEW.copied)' END);
        EXECUTE format('CREATE TRIGGER line_of_update AFTER UPDATE ON %1$I FOR EACH ROW %3$s EXECUTE FUNCTION %2$I()',
                       of.tenant, 'line_of_' || of.tenant, CASE WHEN of.which <> '' THEN format('WHEN (%s)', of.which) END);
    END LOOP;
    -- The only thing of these that is ever deleted as people see it. (Browsers' sessions go when they are long over.)
    CREATE TRIGGER line_of_delete AFTER DELETE ON webhook FOR EACH ROW EXECUTE FUNCTION line_of_webhook();
END $$;

-- Throws away up to `most` lines from before `before`, but none of the last thirty days, whoever asks; how many they were.
CREATE FUNCTION prune_change_lines(before timestamptz, most integer) RETURNS bigint
    LANGUAGE sql VOLATILE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    WITH gone AS (
        DELETE FROM public.change_line WHERE ctid = ANY (ARRAY(
            SELECT l.ctid FROM public.change_line l WHERE l.at < least($1, now() - interval '30 days') LIMIT $2))
        RETURNING 1)
    SELECT count(*) FROM gone
$$;
REVOKE ALL ON FUNCTION prune_change_lines(timestamptz, integer) FROM PUBLIC;
