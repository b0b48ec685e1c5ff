-- Repairs of the published plan. Whatever changes the world that plans are made from leaves a row in `repair_change`, in
-- the same transaction and by the database itself, so no way of changing it can be forgotten. A server takes a company's
-- turn for as long as its lease lasts, plans from one snapshot, and deletes exactly the changes that snapshot has seen
-- in the transaction that publishes or proposes: what happened meanwhile is still there, and is the next turn's.

CREATE TABLE repair_change (
    company_id  uuid        NOT NULL REFERENCES company (id),
    id          uuid        NOT NULL DEFAULT gen_random_uuid(),
    -- The table that changed.
    what        text        NOT NULL,
    job_id      uuid,
    changed_at  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (company_id, id)
);

CREATE TABLE repair_turn (
    company_id  uuid        PRIMARY KEY REFERENCES company (id),
    -- Who is at it, and until when nobody else is.
    lease       uuid,
    lease_until timestamptz,
    last_at     timestamptz,
    -- After a failure: how many in a row, why, and until when it rests.
    failures    integer     NOT NULL DEFAULT 0,
    trouble     text,
    rest_until  timestamptz
);
INSERT INTO repair_turn (company_id) SELECT id FROM company;

-- Repairs that changed or proposed something; others leave no trace.
CREATE TABLE repair (
    company_id  uuid        NOT NULL,
    id          uuid        NOT NULL,
    plan_id     uuid        NOT NULL,
    outcome     text        NOT NULL CHECK (outcome IN ('published', 'proposed')),
    -- The first of the changes it answers.
    changed_at  timestamptz NOT NULL,
    done_at     timestamptz NOT NULL,
    -- What changed, and the difference it makes.
    doc         jsonb       NOT NULL,
    PRIMARY KEY (company_id, id),
    CONSTRAINT repair_plan_fkey FOREIGN KEY (company_id, plan_id) REFERENCES plan (company_id, id)
);

CREATE FUNCTION note_company() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    IF TG_OP = 'INSERT' THEN
        INSERT INTO repair_turn (company_id) VALUES (NEW.id);
    ELSE
        INSERT INTO repair_change (company_id, what) VALUES (NEW.id, 'company');
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER note_company AFTER INSERT ON company FOR EACH ROW EXECUTE FUNCTION note_company();
CREATE TRIGGER note_settings AFTER UPDATE OF settings ON company FOR EACH ROW
    WHEN (OLD.settings IS DISTINCT FROM NEW.settings) EXECUTE FUNCTION note_company();

CREATE FUNCTION note_change() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
DECLARE job uuid;
BEGIN
    IF TG_TABLE_NAME = 'job' THEN
        job := NEW.id;
    ELSIF TG_TABLE_NAME = 'step_record' THEN
        job := NEW.job_id;
    END IF;
    INSERT INTO repair_change (company_id, what, job_id) VALUES (NEW.company_id, TG_TABLE_NAME, job);
    -- As notices do: servers listen.
    PERFORM pg_notify('tackfree', NEW.company_id::text);
    RETURN NULL;
END $$;

DO $$
DECLARE changing text;
BEGIN
    FOREACH changing IN ARRAY ARRAY['house', 'crew', 'equipment', 'region', 'job', 'step_record', 'house_air_reading'] LOOP
        EXECUTE format('CREATE TRIGGER note_change AFTER INSERT OR UPDATE ON %I FOR EACH ROW EXECUTE FUNCTION note_change()',
                       changing);
    END LOOP;
    FOREACH changing IN ARRAY ARRAY['repair_change', 'repair_turn', 'repair'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', changing);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', changing);
        EXECUTE format('CREATE POLICY own_company ON %I
                            USING (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)
                            WITH CHECK (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)',
                       changing);
    END LOOP;
END $$;

-- Whose turn it is comes before the company is known. Nothing is told but which company, and only to whoever takes it.
CREATE POLICY owner_claims ON repair_turn TO CURRENT_USER USING (true) WITH CHECK (true);
CREATE POLICY owner_reads ON repair_change FOR SELECT TO CURRENT_USER USING (true);

CREATE FUNCTION claim_repair(lease uuid, seconds double precision) RETURNS uuid
    LANGUAGE sql VOLATILE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    UPDATE public.repair_turn t
    SET lease = $1, lease_until = clock_timestamp() + make_interval(secs => $2)
    WHERE t.company_id = (
        SELECT waiting.company_id FROM public.repair_turn waiting
        WHERE (waiting.lease_until IS NULL OR waiting.lease_until < clock_timestamp())
          AND (waiting.rest_until IS NULL OR waiting.rest_until < clock_timestamp())
          AND EXISTS (SELECT FROM public.repair_change c WHERE c.company_id = waiting.company_id)
        ORDER BY waiting.last_at NULLS FIRST
        FOR UPDATE SKIP LOCKED LIMIT 1)
    RETURNING t.company_id
$$;
REVOKE ALL ON FUNCTION claim_repair(uuid, double precision) FROM PUBLIC;
