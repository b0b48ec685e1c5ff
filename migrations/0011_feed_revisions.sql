-- What calendars show has a revision in each company, so that a calendar that has been written once need not be written
-- again while the revision is the same. Whatever changes what a calendar may show raises it, by the database itself, so
-- that no way of changing it can be forgotten; a test holds the list of tables against the schema.

CREATE TABLE feed_revision (
    company_id  uuid        PRIMARY KEY REFERENCES company (id),
    revision    bigint      NOT NULL DEFAULT 1,
    -- Whole seconds, and of no two revisions the same: readers that know of nothing finer are told of every one.
    changed_at  timestamptz NOT NULL DEFAULT date_trunc('second', clock_timestamp())
);
INSERT INTO feed_revision (company_id) SELECT id FROM company;

-- Transactions that changed something. The revision is raised when they commit, last thing of all, so that its lock is
-- held for no longer than the commit takes, and never while waiting for another. No foreign key: its check would take a
-- lock. Of each company the last one's row stays.
CREATE TABLE feed_touch (
    company_id  uuid NOT NULL,
    transaction xid8 NOT NULL,
    PRIMARY KEY (company_id, transaction)
);

DO $$
DECLARE tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY['feed_revision', 'feed_touch'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_company ON %I
            USING (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)
            WITH CHECK (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)', tenant);
    END LOOP;
END $$;
CREATE POLICY owner_reads ON feed_revision FOR SELECT TO CURRENT_USER USING (true);

CREATE FUNCTION calendars_touched() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    INSERT INTO feed_touch (company_id, transaction)
    SELECT DISTINCT company_id, pg_current_xact_id() FROM changed
    ON CONFLICT DO NOTHING;
    RETURN NULL;
END $$;

CREATE FUNCTION company_touched() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    IF TG_OP = 'INSERT' THEN
        INSERT INTO feed_revision (company_id) VALUES (NEW.id);
    ELSE
        INSERT INTO feed_touch (company_id, transaction) VALUES (NEW.id, pg_current_xact_id()) ON CONFLICT DO NOTHING;
    END IF;
    RETURN NULL;
END $$;

CREATE FUNCTION calendars_revised() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    UPDATE feed_revision
    SET revision = revision + 1,
        changed_at = greatest(date_trunc('second', clock_timestamp()), changed_at + interval '1 second')
    WHERE company_id = NEW.company_id;
    DELETE FROM feed_touch WHERE company_id = NEW.company_id AND transaction <> NEW.transaction;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER calendars_revised AFTER INSERT ON feed_touch
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION calendars_revised();

-- Of a company, its name and its settings; not the numbers that it gives to plans and events.
CREATE TRIGGER company_founded AFTER INSERT ON company FOR EACH ROW EXECUTE FUNCTION company_touched();
CREATE TRIGGER company_touched AFTER UPDATE OF name, settings ON company FOR EACH ROW
    WHEN ((OLD.name, OLD.settings) IS DISTINCT FROM (NEW.name, NEW.settings)) EXECUTE FUNCTION company_touched();

DO $$
DECLARE shown text;
BEGIN
    FOREACH shown IN ARRAY ARRAY['house', 'crew', 'region', 'job', 'job_step', 'job_wait', 'step_record', 'step_restated',
                                 'house_air_reading', 'booking'] LOOP
        EXECUTE format('CREATE TRIGGER calendars_insert AFTER INSERT ON %I REFERENCING NEW TABLE AS changed
                            FOR EACH STATEMENT EXECUTE FUNCTION calendars_touched()', shown);
        EXECUTE format('CREATE TRIGGER calendars_update AFTER UPDATE ON %I REFERENCING NEW TABLE AS changed
                            FOR EACH STATEMENT EXECUTE FUNCTION calendars_touched()', shown);
        EXECUTE format('CREATE TRIGGER calendars_delete AFTER DELETE ON %I REFERENCING OLD TABLE AS changed
                            FOR EACH STATEMENT EXECUTE FUNCTION calendars_touched()', shown);
    END LOOP;
END $$;

-- Whose calendar address, whether it is still good, and which revision its calendar has: one question.
DROP FUNCTION find_feed(bytea);
CREATE FUNCTION find_feed(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, kind text, crew_id uuid, house_id uuid, revision bigint,
                   changed_at timestamptz)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT f.company_id, f.id, f.kind, f.crew_id, f.house_id, r.revision, r.changed_at
    FROM public.feed f JOIN public.feed_revision r ON r.company_id = f.company_id
    WHERE f.secret_sha256 = $1 AND f.revoked_at IS NULL
$$;
REVOKE ALL ON FUNCTION find_feed(bytea) FROM PUBLIC;
