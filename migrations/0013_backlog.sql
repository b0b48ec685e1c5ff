-- How much waits, over all companies, for whoever watches the servers: sums, and nothing about any company. Answered by a
-- function that runs as the owner, as in 0003.
CREATE FUNCTION backlog(now timestamptz)
    RETURNS TABLE (deliveries bigint, overdue_seconds double precision, repairs bigint)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT (SELECT count(*) FROM public.delivery d WHERE d.status = 'waiting'),
           (SELECT greatest(0, coalesce(extract(epoch FROM $1 - min(d.due_at)), 0))::double precision
            FROM public.delivery d WHERE d.status = 'waiting'),
           (SELECT count(DISTINCT c.company_id) FROM public.repair_change c)
$$;
REVOKE ALL ON FUNCTION backlog(timestamptz) FROM PUBLIC;
