-- Companies, the nouns they plan with, and their jobs. Row security for these tables is in 0003.

CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE company (
    id          uuid        PRIMARY KEY,
    name        text        NOT NULL,
    settings    jsonb       NOT NULL,
    version     bigint      NOT NULL DEFAULT 1,
    -- Gives plans their numbers; not part of what `version` guards.
    plan_count  bigint      NOT NULL DEFAULT 0,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now()
);

-- Five tables of one shape. `refers` lists what the document names, as 'region/north' or 'equipment/big-machine', so
-- that nothing in use is archived; the document itself is not looked into by SQL.
DO $$
DECLARE noun text;
BEGIN
    FOREACH noun IN ARRAY ARRAY['house', 'crew', 'equipment', 'method', 'region'] LOOP
        EXECUTE format($ddl$
            CREATE TABLE %1$I (
                company_id  uuid        NOT NULL REFERENCES company (id),
                id          uuid        NOT NULL,
                key         text        COLLATE "C" NOT NULL CHECK (key ~ '^[A-Za-z0-9._-]{1,64}$'),
                name        text        NOT NULL,
                doc         jsonb       NOT NULL,
                refers      text[]      NOT NULL DEFAULT '{}',
                version     bigint      NOT NULL DEFAULT 1,
                created_at  timestamptz NOT NULL DEFAULT now(),
                updated_at  timestamptz NOT NULL DEFAULT now(),
                archived_at timestamptz,
                PRIMARY KEY (company_id, id)
            )$ddl$, noun);
        -- The key of an archived noun may be given again.
        EXECUTE format('CREATE UNIQUE INDEX %1$I ON %2$I (company_id, key) WHERE archived_at IS NULL',
                       noun || '_key_unique', noun);
    END LOOP;
END $$;

CREATE TABLE job (
    company_id  uuid        NOT NULL REFERENCES company (id),
    id          uuid        NOT NULL,
    key         text        COLLATE "C" NOT NULL CHECK (key ~ '^[A-Za-z0-9._-]{1,64}$'),
    name        text        NOT NULL,
    house_id    uuid        NOT NULL,
    -- Where the chain was copied from; the copy is the job's own.
    method_id   uuid,
    status      text        NOT NULL DEFAULT 'open' CHECK (status IN ('open', 'on_hold', 'cancelled', 'finished')),
    release_at  timestamptz NOT NULL,
    due_at      timestamptz,
    -- Everything else, without steps and waits.
    doc         jsonb       NOT NULL,
    version     bigint      NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL DEFAULT now(),
    updated_at  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (company_id, id),
    CONSTRAINT job_key_unique UNIQUE (company_id, key),
    CONSTRAINT job_house_fkey FOREIGN KEY (company_id, house_id) REFERENCES house (company_id, id),
    CONSTRAINT job_method_fkey FOREIGN KEY (company_id, method_id) REFERENCES method (company_id, id)
);
CREATE INDEX job_by_house ON job (company_id, house_id);
CREATE INDEX job_by_status ON job (company_id, status, id);

-- Steps are never deleted, only taken out of the chain (`live`): records, old plans and calendars go on naming them.
CREATE TABLE job_step (
    company_id  uuid        NOT NULL,
    job_id      uuid        NOT NULL,
    step_key    text        COLLATE "C" NOT NULL CHECK (step_key ~ '^[A-Za-z0-9._-]{1,64}$'),
    position    integer     NOT NULL,
    live        boolean     NOT NULL DEFAULT true,
    refers      text[]      NOT NULL DEFAULT '{}',
    doc         jsonb       NOT NULL,
    PRIMARY KEY (company_id, job_id, step_key),
    CONSTRAINT job_step_job_fkey FOREIGN KEY (company_id, job_id) REFERENCES job (company_id, id),
    -- What waits and records refer to.
    CONSTRAINT job_step_live_unique UNIQUE (company_id, job_id, step_key, live)
);

-- `live` is always true here, so the foreign keys refuse a wait to a step that is unknown or has been taken out, and
-- the taking out of a step that a wait still names.
CREATE TABLE job_wait (
    company_id  uuid        NOT NULL,
    job_id      uuid        NOT NULL,
    from_key    text        COLLATE "C" NOT NULL,
    to_key      text        COLLATE "C" NOT NULL,
    position    integer     NOT NULL,
    live        boolean     NOT NULL DEFAULT true CHECK (live),
    doc         jsonb       NOT NULL,
    PRIMARY KEY (company_id, job_id, from_key, to_key),
    CONSTRAINT job_wait_from_fkey FOREIGN KEY (company_id, job_id, from_key, live)
        REFERENCES job_step (company_id, job_id, step_key, live),
    CONSTRAINT job_wait_to_fkey FOREIGN KEY (company_id, job_id, to_key, live)
        REFERENCES job_step (company_id, job_id, step_key, live)
);
CREATE INDEX job_wait_by_to ON job_wait (company_id, job_id, to_key);

-- What happened on the floor: appended, never changed. `record_no` counts from 1 within a step; whoever appends says
-- how many he has seen, so of two people who report the same at once one is told so.
CREATE TABLE step_record (
    company_id          uuid        NOT NULL,
    job_id              uuid        NOT NULL,
    step_key            text        COLLATE "C" NOT NULL,
    record_no           integer     NOT NULL CHECK (record_no >= 1),
    id                  uuid        NOT NULL,
    crew_id             uuid        NOT NULL,
    outcome             text        NOT NULL CHECK (outcome IN ('running', 'done', 'failed')),
    started_at          timestamptz NOT NULL,
    finished_at         timestamptz,
    expected_finish_at  timestamptz,
    -- Readings and remarks.
    doc                 jsonb       NOT NULL,
    recorded_at         timestamptz NOT NULL,
    recorded_by         text        NOT NULL,
    -- As in job_wait: a step on which work has been recorded is not taken out.
    live                boolean     NOT NULL DEFAULT true CHECK (live),
    PRIMARY KEY (company_id, job_id, step_key, record_no),
    CONSTRAINT step_record_id_unique UNIQUE (company_id, id),
    CONSTRAINT step_record_step_fkey FOREIGN KEY (company_id, job_id, step_key, live)
        REFERENCES job_step (company_id, job_id, step_key, live),
    CONSTRAINT step_record_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id),
    CONSTRAINT step_record_ends CHECK (
        CASE outcome
            WHEN 'running' THEN finished_at IS NULL AND expected_finish_at > started_at
            ELSE finished_at > started_at
        END)
);
