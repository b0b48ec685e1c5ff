-- Nothing is visible across companies. A transaction says whose it is (`app.company`); without that it sees nothing and
-- can write nothing. After a transaction the setting reads '' and not null, hence nullif.

DO $$
DECLARE
    tenant text;
    own    text;
BEGIN
    FOR tenant IN
        SELECT c.relname FROM pg_class c
        WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r' AND c.relname <> '_sqlx_migrations'
    LOOP
        own := format('%I = nullif(current_setting(''app.company'', true), '''')::uuid',
                      CASE tenant WHEN 'company' THEN 'id' ELSE 'company_id' END);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', tenant);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', tenant);
        EXECUTE format('CREATE POLICY own_company ON %I USING (%s) WITH CHECK (%s)', tenant, own, own);
    END LOOP;
END $$;

-- Two questions come before the company is known: whose token, whose calendar address? They are answered by functions
-- that run as the owner and take nothing but the hash of a secret. An owner that is no superuser is held by the
-- policies above as well, so it may read these tables by a policy of its own; so may an operator list the companies.
CREATE POLICY owner_reads ON token FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON feed FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON company FOR SELECT TO CURRENT_USER USING (true);

CREATE FUNCTION find_token(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, role text, crew_id uuid)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT t.company_id, t.id, t.role, t.crew_id FROM public.token t
    WHERE t.secret_sha256 = $1 AND t.revoked_at IS NULL AND (t.expires_at IS NULL OR t.expires_at > now())
$$;

CREATE FUNCTION find_feed(secret_sha256 bytea)
    RETURNS TABLE (company_id uuid, id uuid, kind text, crew_id uuid, house_id uuid)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT f.company_id, f.id, f.kind, f.crew_id, f.house_id FROM public.feed f
    WHERE f.secret_sha256 = $1 AND f.revoked_at IS NULL
$$;

REVOKE ALL ON FUNCTION find_token(bytea), find_feed(bytea) FROM PUBLIC;
