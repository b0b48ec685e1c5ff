-- What has to be told: notices in the order in which they became true, and what is sent of them to webhooks.

-- A notice's number is given under this row, last thing before its transaction commits: whoever has seen number n never
-- misses a smaller one that becomes visible later, and a transaction that is undone leaves no gap. A table of its own
-- and not a column of `company`, because publishing holds that row while it waits for others.
CREATE TABLE notice_counter (
    company_id  uuid        PRIMARY KEY REFERENCES company (id),
    last_number bigint      NOT NULL
);

-- Job and crew have no foreign keys: neither is ever deleted, and a check would take a lock after the counter's, which
-- has to be the last one.
CREATE TABLE notice (
    company_id  uuid        NOT NULL REFERENCES company (id),
    number      bigint      NOT NULL CHECK (number >= 1),
    id          uuid        NOT NULL,
    kind        text        COLLATE "C" NOT NULL CHECK (kind ~ '^[a-z_]+\.[a-z_]+$'),
    job_id      uuid,
    crew_id     uuid,
    doc         jsonb       NOT NULL,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (company_id, number),
    CONSTRAINT notice_id_unique UNIQUE (company_id, id)
);
CREATE INDEX notice_by_age ON notice (created_at);

CREATE TABLE webhook (
    company_id       uuid        NOT NULL REFERENCES company (id),
    id               uuid        NOT NULL,
    address          text        NOT NULL,
    -- Which notices are wanted; empty: all.
    kinds            text[]      NOT NULL,
    -- In clear, because both sides sign with it.
    secret           bytea       NOT NULL CHECK (length(secret) BETWEEN 24 AND 64),
    old_secret       bytea,
    old_secret_until timestamptz,
    -- Told of what has a higher number.
    after_number     bigint      NOT NULL,
    off_at           timestamptz,
    off_because      text,
    version          bigint      NOT NULL DEFAULT 1,
    created_at       timestamptz NOT NULL,
    PRIMARY KEY (company_id, id),
    CONSTRAINT webhook_old_secret CHECK ((old_secret IS NULL) = (old_secret_until IS NULL)),
    CONSTRAINT webhook_off CHECK ((off_at IS NULL) = (off_because IS NULL))
);

-- One notice on its way to one webhook. Of one lane (a job; all that is about no job) the lowest number that is waiting
-- goes first, and the next only when that is done or dead.
CREATE TABLE delivery (
    company_id   uuid        NOT NULL,
    id           uuid        NOT NULL,
    webhook_id   uuid        NOT NULL,
    number       bigint      NOT NULL,
    lane         uuid        NOT NULL,
    status       text        NOT NULL DEFAULT 'waiting' CHECK (status IN ('waiting', 'done', 'dead')),
    tries        integer     NOT NULL DEFAULT 0,
    due_at       timestamptz NOT NULL,
    -- Who is sending it, and until when nobody else does.
    lease        uuid,
    lease_until  timestamptz,
    tried_at     timestamptz,
    -- What came back of the last try.
    reply_status smallint,
    failure      text,
    settled_at   timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT delivery_once UNIQUE (company_id, webhook_id, number),
    CONSTRAINT delivery_webhook_fkey FOREIGN KEY (company_id, webhook_id) REFERENCES webhook (company_id, id),
    CONSTRAINT delivery_notice_fkey FOREIGN KEY (company_id, number) REFERENCES notice (company_id, number),
    CONSTRAINT delivery_leased CHECK ((lease IS NULL) = (lease_until IS NULL)),
    CONSTRAINT delivery_settled CHECK ((status = 'waiting') = (settled_at IS NULL))
);
CREATE INDEX delivery_due ON delivery (due_at) WHERE status = 'waiting';
CREATE INDEX delivery_by_lane ON delivery (company_id, webhook_id, lane, number) WHERE status = 'waiting';
CREATE INDEX delivery_by_notice ON delivery (company_id, number);

DO $$
DECLARE tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY['notice_counter', 'notice', 'webhook', 'delivery'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_company ON %I
            USING (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)
            WITH CHECK (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)', tenant);
    END LOOP;
END $$;

-- Two questions go across companies: which deliveries are due, and who has something old to be thrown away? They are
-- answered as in 0003 by functions that run as the owner, and tell nothing but identifiers; what is sent or thrown away
-- is read and written in a session of its company.
CREATE POLICY owner_leases ON delivery FOR UPDATE TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON delivery FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON notice FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON idempotency FOR SELECT TO CURRENT_USER USING (true);

-- Leases up to `most` deliveries that are due at `now`, at most `each` of one webhook, so that one that is slow to answer
-- does not hold up the others.
CREATE FUNCTION lease_deliveries(now timestamptz, until timestamptz, most integer, each integer)
    RETURNS TABLE (company_id uuid, id uuid, lease uuid)
    LANGUAGE sql VOLATILE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    WITH due AS MATERIALIZED (
        SELECT d.company_id, d.id,
               row_number() OVER (PARTITION BY d.company_id, d.webhook_id ORDER BY d.due_at, d.number) AS place
        FROM public.delivery d
        WHERE d.status = 'waiting' AND d.due_at <= $1 AND (d.lease_until IS NULL OR d.lease_until <= $1)
          AND NOT EXISTS (
              SELECT FROM public.delivery e
              WHERE (e.company_id, e.webhook_id, e.lane, e.status) = (d.company_id, d.webhook_id, d.lane, 'waiting')
                AND e.number < d.number)
    ), taken AS MATERIALIZED (
        SELECT d.company_id, d.id FROM public.delivery d JOIN due USING (company_id, id)
        WHERE due.place <= $4 AND d.status = 'waiting' AND (d.lease_until IS NULL OR d.lease_until <= $1)
        ORDER BY d.due_at, d.number LIMIT $3
        FOR UPDATE OF d SKIP LOCKED
    )
    UPDATE public.delivery d
    SET lease = gen_random_uuid(), lease_until = $2, tries = d.tries + 1, tried_at = $1
    FROM taken WHERE (d.company_id, d.id) = (taken.company_id, taken.id)
    RETURNING d.company_id, d.id, d.lease
$$;

-- Companies with notices or answers to repeated requests from before these instants.
CREATE FUNCTION companies_to_prune(notices_before timestamptz, requests_before timestamptz, most integer)
    RETURNS TABLE (company_id uuid)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT n.company_id FROM public.notice n WHERE n.created_at < $1
    UNION SELECT i.company_id FROM public.idempotency i WHERE i.created_at < $2
    LIMIT $3
$$;

REVOKE ALL ON FUNCTION lease_deliveries(timestamptz, timestamptz, integer, integer),
                       companies_to_prune(timestamptz, timestamptz, integer) FROM PUBLIC;
