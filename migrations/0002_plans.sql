-- Plans, what is published of them, and the doors: tokens, feeds, repeated requests.

CREATE TABLE plan (
    company_id    uuid        NOT NULL REFERENCES company (id),
    id            uuid        NOT NULL,
    number        bigint      NOT NULL,
    status        text        NOT NULL DEFAULT 'draft'
                              CHECK (status IN ('draft', 'published', 'superseded', 'rejected')),
    -- The instant it was made for.
    made_for      timestamptz NOT NULL,
    -- The bits of an unsigned number.
    seed          bigint      NOT NULL,
    move_budget   bigint      NOT NULL,
    cost_total    bigint      NOT NULL,
    lower_bound   bigint      NOT NULL,
    -- Of the input it was made from.
    input_sha256  bytea       NOT NULL CHECK (length(input_sha256) = 32),
    row_count     integer     NOT NULL,
    -- Cost by parts, unplaced steps and why.
    doc           jsonb       NOT NULL,
    created_at    timestamptz NOT NULL DEFAULT now(),
    published_at  timestamptz,
    version       bigint      NOT NULL DEFAULT 1,
    PRIMARY KEY (company_id, id),
    CONSTRAINT plan_number_unique UNIQUE (company_id, number)
);
CREATE UNIQUE INDEX plan_one_published ON plan (company_id) WHERE status = 'published';

-- One piece of work of one plan; many plans are kept. `run_key` is the key of the first step of a dwell run, or the
-- step's own: works of one run may overlap.
CREATE TABLE plan_row (
    company_id    uuid        NOT NULL,
    plan_id       uuid        NOT NULL,
    job_id        uuid        NOT NULL,
    step_key      text        COLLATE "C" NOT NULL,
    piece_no      integer     NOT NULL CHECK (piece_no >= 0),
    run_key       text        COLLATE "C" NOT NULL,
    crew_id       uuid        NOT NULL,
    during        tstzrange   NOT NULL CHECK (lower(during) < upper(during)),
    fixed         boolean     NOT NULL,
    units         jsonb,
    moved_because text,
    PRIMARY KEY (company_id, plan_id, job_id, step_key, piece_no)
);

-- Plan, step and crew of each row must exist. Three ordinary foreign keys would ask 150,000 times for a plan of 50,000
-- rows and take three times as long as the rows themselves; this asks three times. It is as strong, because steps and
-- crews are never deleted, and a plan's rows are deleted before it. (What is published has ordinary foreign keys.)
CREATE FUNCTION plan_row_check() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    IF EXISTS (SELECT FROM (SELECT DISTINCT company_id, plan_id FROM fresh) f
               WHERE NOT EXISTS (SELECT FROM plan p WHERE (p.company_id, p.id) = (f.company_id, f.plan_id))) THEN
        RAISE foreign_key_violation USING MESSAGE = 'a row of an unknown plan', CONSTRAINT = 'plan_row_plan_fkey';
    END IF;
    IF EXISTS (SELECT FROM (SELECT DISTINCT company_id, crew_id FROM fresh) f
               WHERE NOT EXISTS (SELECT FROM crew c WHERE (c.company_id, c.id) = (f.company_id, f.crew_id))) THEN
        RAISE foreign_key_violation USING MESSAGE = 'work for an unknown crew', CONSTRAINT = 'plan_row_crew_fkey';
    END IF;
    IF EXISTS (SELECT FROM fresh f LEFT JOIN job_step s USING (company_id, job_id, step_key) WHERE s.position IS NULL)
    THEN
        RAISE foreign_key_violation USING MESSAGE = 'work on an unknown step', CONSTRAINT = 'plan_row_step_fkey';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER plan_row_check AFTER INSERT ON plan_row
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION plan_row_check();

-- What is promised now, and what calendars must still say about what was promised before. Publishing writes only the
-- difference between the promise and the new plan here; an unchanged row is not touched, so its `sequence` stays.
CREATE TABLE booking (
    company_id    uuid        NOT NULL,
    job_id        uuid        NOT NULL,
    step_key      text        COLLATE "C" NOT NULL,
    piece_no      integer     NOT NULL,
    -- In the key, because a crew that loses a piece must be told that it is cancelled while another crew has it.
    crew_id       uuid        NOT NULL,
    during        tstzrange   NOT NULL CHECK (lower(during) < upper(during)),
    -- Running or done: what happened is not judged.
    fixed         boolean     NOT NULL,
    -- Of job and run key. Should two runs ever share the number (1 in 2^64), they are merely not held apart.
    run           bigint      NOT NULL,
    units         jsonb,
    -- RFC 5545: rises whenever crew or times change, is never lower than before for the same job, step and piece.
    sequence      integer     NOT NULL,
    last_modified timestamptz NOT NULL,
    -- When a publication no longer contained it; null while it is promised.
    left_at       timestamptz,
    -- With `left_at`: whether it was called off. Otherwise it happened, and its job is over.
    cancelled     boolean     NOT NULL DEFAULT false CHECK (left_at IS NOT NULL OR NOT cancelled),
    PRIMARY KEY (company_id, job_id, step_key, piece_no, crew_id),
    CONSTRAINT booking_step_fkey FOREIGN KEY (company_id, job_id, step_key)
        REFERENCES job_step (company_id, job_id, step_key),
    CONSTRAINT booking_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id),
    -- Crew and time come first: with the company first, every page of the index looks alike and 50,000 rows take six
    -- times as long. Deferrable: checked when a statement ends, so that two works may change places in one.
    CONSTRAINT booking_crew_once EXCLUDE USING gist
        (crew_id WITH =, during WITH &&, company_id WITH =, run WITH <>)
        WHERE (left_at IS NULL AND NOT fixed) DEFERRABLE INITIALLY IMMEDIATE
);
CREATE INDEX booking_by_crew ON booking (company_id, crew_id, upper(during));
CREATE INDEX booking_left ON booking (company_id, left_at) WHERE left_at IS NOT NULL;

CREATE TABLE token (
    company_id    uuid        NOT NULL REFERENCES company (id),
    id            uuid        NOT NULL,
    name          text        NOT NULL,
    role          text        NOT NULL CHECK (role IN ('office', 'crew', 'viewer')),
    -- Whose phone it is.
    crew_id       uuid,
    secret_sha256 bytea       NOT NULL CHECK (length(secret_sha256) = 32),
    created_at    timestamptz NOT NULL DEFAULT now(),
    last_used_at  timestamptz,
    expires_at    timestamptz,
    revoked_at    timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT token_secret_unique UNIQUE (secret_sha256),
    CONSTRAINT token_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id),
    CONSTRAINT token_crew_named CHECK ((role = 'crew') = (crew_id IS NOT NULL))
);

CREATE TABLE feed (
    company_id    uuid        NOT NULL REFERENCES company (id),
    id            uuid        NOT NULL,
    kind          text        NOT NULL CHECK (kind IN ('crew', 'house', 'office', 'customer')),
    crew_id       uuid,
    house_id      uuid,
    secret_sha256 bytea       NOT NULL CHECK (length(secret_sha256) = 32),
    created_at    timestamptz NOT NULL DEFAULT now(),
    revoked_at    timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT feed_secret_unique UNIQUE (secret_sha256),
    CONSTRAINT feed_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id),
    CONSTRAINT feed_house_fkey FOREIGN KEY (company_id, house_id) REFERENCES house (company_id, id),
    CONSTRAINT feed_subject CHECK (
        (kind = 'crew') = (crew_id IS NOT NULL) AND (kind IN ('house', 'customer')) = (house_id IS NOT NULL))
);

CREATE TABLE idempotency (
    company_id      uuid        NOT NULL,
    token_id        uuid        NOT NULL,
    key             text        COLLATE "C" NOT NULL CHECK (length(key) BETWEEN 1 AND 255),
    fingerprint     bytea       NOT NULL,
    status          text        NOT NULL CHECK (status IN ('in_progress', 'done')),
    -- Who is at work on it, and until when nobody else may be.
    lease           uuid        NOT NULL,
    lease_until     timestamptz NOT NULL,
    response_status smallint,
    response_headers jsonb,
    response_body   bytea,
    created_at      timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (company_id, token_id, key),
    CONSTRAINT idempotency_token_fkey FOREIGN KEY (company_id, token_id) REFERENCES token (company_id, id),
    CONSTRAINT idempotency_answered CHECK (
        (status = 'done') = (response_status IS NOT NULL AND response_headers IS NOT NULL AND response_body IS NOT NULL))
);
CREATE INDEX idempotency_by_age ON idempotency (company_id, created_at);
