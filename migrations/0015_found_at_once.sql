-- Every request begins with one of these questions. PostgreSQL reads and plans the body of a function in SQL each time it is
-- called, which takes ten times as long as the answer; a body in PL/pgSQL is planned once for each connection. They say what
-- they said (0003, 0010, 0011).
CREATE OR REPLACE FUNCTION find_token(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, role text, crew_id uuid)
    LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
BEGIN
    RETURN QUERY SELECT t.company_id, t.id, t.role, t.crew_id FROM public.token t
    WHERE t.secret_sha256 = $1 AND t.revoked_at IS NULL AND (t.expires_at IS NULL OR t.expires_at > now());
END $$;

CREATE OR REPLACE FUNCTION find_feed(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, kind text, crew_id uuid, house_id uuid, revision bigint,
                   changed_at timestamptz)
    LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
BEGIN
    RETURN QUERY SELECT f.company_id, f.id, f.kind, f.crew_id, f.house_id, r.revision, r.changed_at
    FROM public.feed f JOIN public.feed_revision r ON r.company_id = f.company_id
    WHERE f.secret_sha256 = $1 AND f.revoked_at IS NULL;
END $$;

CREATE OR REPLACE FUNCTION find_browser_session(secret_sha256 bytea, now timestamptz)
    RETURNS TABLE (company_id uuid, id uuid, person_id uuid, crew_link_id uuid, name text, role text, crew_id uuid,
                   seen_at timestamptz)
    LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
BEGIN
    RETURN QUERY SELECT s.company_id, s.id, s.person_id, s.crew_link_id, coalesce(p.name, l.name),
                        coalesce(p.role, 'crew'), coalesce(p.crew_id, l.crew_id), s.seen_at
    FROM public.browser_session s
    LEFT JOIN public.person p ON (p.company_id, p.id) = (s.company_id, s.person_id)
    LEFT JOIN public.crew_link l ON (l.company_id, l.id) = (s.company_id, s.crew_link_id)
    WHERE s.secret_sha256 = $1 AND s.revoked_at IS NULL AND s.idle_until > $2 AND s.expires_at > $2
      AND p.revoked_at IS NULL AND l.revoked_at IS NULL;
END $$;
