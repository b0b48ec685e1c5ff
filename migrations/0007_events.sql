-- What happened, as it was told: appended, in the order of telling. Only whether an event is heeded may change, when what it
-- waits for is told.

ALTER TABLE company ADD COLUMN event_count bigint NOT NULL DEFAULT 0;

CREATE TABLE event (
    company_id  uuid        NOT NULL REFERENCES company (id),
    -- Made by the sender, so that an event sent twice is one.
    id          uuid        NOT NULL,
    -- Counts from 1 in the company, without gaps, in the order of commits.
    number      bigint      NOT NULL CHECK (number >= 1),
    kind        text        NOT NULL CHECK (kind ~ '^[a-z_]{1,40}$'),
    -- What it is about, as 'job/linden-4-floors' or 'crew/north'. No foreign key: it may be told before the job is.
    subject     text        COLLATE "C" NOT NULL CHECK (length(subject) BETWEEN 3 AND 80),
    happened_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    recorded_by text        NOT NULL,
    -- What was told, and the note.
    doc         jsonb       NOT NULL,
    -- The subject's document from which later events are counted: as it was before the first, or as somebody wrote it.
    base        jsonb,
    standing    text        NOT NULL CHECK (standing IN ('applied', 'known', 'overtaken', 'waiting', 'contradicts')),
    -- Why it is not applied.
    reason      jsonb,
    PRIMARY KEY (company_id, id),
    CONSTRAINT event_number_unique UNIQUE (company_id, number)
);
CREATE INDEX event_by_subject ON event (company_id, subject, number);
CREATE INDEX event_waiting ON event (company_id, number) WHERE standing IN ('waiting', 'contradicts');

-- When an event comes late, what happened on a step is told anew from its first record: records of the step with lower
-- numbers than the highest `from_no` are kept, and not heeded any more.
CREATE TABLE step_restated (
    company_id  uuid        NOT NULL,
    job_id      uuid        NOT NULL,
    step_key    text        COLLATE "C" NOT NULL,
    from_no     integer     NOT NULL CHECK (from_no >= 2),
    event_id    uuid        NOT NULL,
    PRIMARY KEY (company_id, job_id, step_key, from_no),
    CONSTRAINT step_restated_step_fkey FOREIGN KEY (company_id, job_id, step_key)
        REFERENCES job_step (company_id, job_id, step_key)
);

DO $$
DECLARE tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY['event', 'step_restated'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_company ON %I
                            USING (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)
                            WITH CHECK (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)', tenant);
    END LOOP;
END $$;
