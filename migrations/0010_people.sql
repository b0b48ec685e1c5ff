-- People, links that sign a crew's phone in, and the browsers that are signed in by either.

CREATE TABLE person (
    company_id      uuid        NOT NULL REFERENCES company (id),
    id              uuid        NOT NULL,
    name            text        NOT NULL,
    -- In lower case. Unique across companies: whoever signs in says no more than this.
    sign_in_name    text        COLLATE "C" NOT NULL CHECK (sign_in_name ~ '^[a-z0-9][a-z0-9._@+-]{1,119}$'),
    -- As a PHC string: it says itself how it was made.
    password_hash   text        NOT NULL,
    role            text        NOT NULL CHECK (role IN ('office', 'crew', 'viewer')),
    crew_id         uuid,
    created_at      timestamptz NOT NULL,
    password_set_at timestamptz NOT NULL,
    revoked_at      timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT person_sign_in_name_unique UNIQUE (sign_in_name),
    CONSTRAINT person_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id),
    CONSTRAINT person_crew_named CHECK ((role = 'crew') = (crew_id IS NOT NULL))
);

CREATE TABLE crew_link (
    company_id    uuid        NOT NULL REFERENCES company (id),
    id            uuid        NOT NULL,
    -- Whose phone, for people.
    name          text        NOT NULL,
    crew_id       uuid        NOT NULL,
    secret_sha256 bytea       NOT NULL CHECK (length(secret_sha256) = 32),
    created_at    timestamptz NOT NULL,
    last_used_at  timestamptz,
    revoked_at    timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT crew_link_secret_unique UNIQUE (secret_sha256),
    CONSTRAINT crew_link_crew_fkey FOREIGN KEY (company_id, crew_id) REFERENCES crew (company_id, id)
);

CREATE TABLE browser_session (
    company_id    uuid        NOT NULL REFERENCES company (id),
    id            uuid        NOT NULL,
    person_id     uuid,
    crew_link_id  uuid,
    secret_sha256 bytea       NOT NULL CHECK (length(secret_sha256) = 32),
    -- What the browser says it is, cut short.
    device        text        NOT NULL,
    created_at    timestamptz NOT NULL,
    -- To within some minutes.
    seen_at       timestamptz NOT NULL,
    -- Over when it is not seen until then, and in any case at `expires_at`.
    idle_until    timestamptz NOT NULL,
    expires_at    timestamptz NOT NULL,
    revoked_at    timestamptz,
    PRIMARY KEY (company_id, id),
    CONSTRAINT browser_session_secret_unique UNIQUE (secret_sha256),
    CONSTRAINT browser_session_person_fkey FOREIGN KEY (company_id, person_id) REFERENCES person (company_id, id),
    CONSTRAINT browser_session_link_fkey FOREIGN KEY (company_id, crew_link_id) REFERENCES crew_link (company_id, id),
    CONSTRAINT browser_session_of_one CHECK ((person_id IS NULL) <> (crew_link_id IS NULL))
);
CREATE INDEX browser_session_by_person ON browser_session (company_id, person_id) WHERE person_id IS NOT NULL;
CREATE INDEX browser_session_by_link ON browser_session (company_id, crew_link_id) WHERE crew_link_id IS NOT NULL;

DO $$
DECLARE tenant text;
BEGIN
    FOREACH tenant IN ARRAY ARRAY['person', 'crew_link', 'browser_session'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_company ON %I
            USING (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)
            WITH CHECK (company_id = nullif(current_setting(''app.company'', true), '''')::uuid)', tenant);
        EXECUTE format('CREATE POLICY owner_reads ON %I FOR SELECT TO CURRENT_USER USING (true)', tenant);
    END LOOP;
END $$;

-- Three more questions that come before the company is known, answered as in 0003 by functions that run as the owner:
-- who signs in under this name, whose browser is this, which crew's link is this?
CREATE FUNCTION find_person(sign_in_name text)
    RETURNS TABLE (company_id uuid, id uuid, password_hash text)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT p.company_id, p.id, p.password_hash FROM public.person p
    WHERE p.sign_in_name = $1 AND p.revoked_at IS NULL
$$;

CREATE FUNCTION find_browser_session(secret_sha256 bytea, now timestamptz)
    RETURNS TABLE (company_id uuid, id uuid, person_id uuid, crew_link_id uuid, name text, role text, crew_id uuid,
                   seen_at timestamptz)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT s.company_id, s.id, s.person_id, s.crew_link_id, coalesce(p.name, l.name), coalesce(p.role, 'crew'),
           coalesce(p.crew_id, l.crew_id), s.seen_at
    FROM public.browser_session s
    LEFT JOIN public.person p ON (p.company_id, p.id) = (s.company_id, s.person_id)
    LEFT JOIN public.crew_link l ON (l.company_id, l.id) = (s.company_id, s.crew_link_id)
    WHERE s.secret_sha256 = $1 AND s.revoked_at IS NULL AND s.idle_until > $2 AND s.expires_at > $2
      AND p.revoked_at IS NULL AND l.revoked_at IS NULL
$$;

CREATE FUNCTION find_crew_link(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, crew_id uuid, name text)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT l.company_id, l.id, l.crew_id, l.name FROM public.crew_link l
    WHERE l.secret_sha256 = $1 AND l.revoked_at IS NULL
$$;

REVOKE ALL ON FUNCTION find_person(text), find_browser_session(bytea, timestamptz), find_crew_link(bytea) FROM PUBLIC;

-- Requests that may come twice are now also sent by people's browsers and crews' phones: whoever asks is a token, a
-- person or a crew link. None of them is ever deleted.
ALTER TABLE idempotency DROP CONSTRAINT idempotency_token_fkey;
