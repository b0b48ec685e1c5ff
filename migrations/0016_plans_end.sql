-- Plans that ended long ago are thrown away but for what the list says of them: their placements are by far the most of what a
-- house leaves. So a plan knows when it stopped counting (another became the promise, or it was rejected), and whether its
-- placements are still kept.

-- Row security holds the owner of the tables too; for what is filled in here it must see all rows.
ALTER TABLE plan NO FORCE ROW LEVEL SECURITY;
ALTER TABLE plan_row NO FORCE ROW LEVEL SECURITY;
ALTER TABLE plan_job NO FORCE ROW LEVEL SECURITY;

-- 0012 filled this table as an owner who, where it was no superuser, saw no rows to fill it from.
INSERT INTO plan_job SELECT DISTINCT company_id, plan_id, job_id, plan_id FROM plan_row ON CONFLICT DO NOTHING;

-- A plan leaves a line when its status changes, and no other time.
DROP TRIGGER line_of_update ON plan;
CREATE TRIGGER line_of_update AFTER UPDATE ON plan FOR EACH ROW
    WHEN (OLD.status IS DISTINCT FROM NEW.status) EXECUTE FUNCTION line_of_plan();

ALTER TABLE plan ADD COLUMN ended_at timestamptz, ADD COLUMN placements_kept boolean NOT NULL DEFAULT true;
UPDATE plan SET ended_at = (SELECT min(next.published_at) FROM plan next
                            WHERE next.company_id = plan.company_id AND next.published_at > plan.published_at)
WHERE status = 'superseded';
-- When is not known.
UPDATE plan SET ended_at = created_at, placements_kept = false WHERE status = 'rejected';
CREATE INDEX plan_by_end ON plan (ended_at) WHERE placements_kept;
CREATE INDEX plan_undecided ON plan (created_at) WHERE status = 'draft';

ALTER TABLE plan FORCE ROW LEVEL SECURITY;
ALTER TABLE plan_row FORCE ROW LEVEL SECURITY;
ALTER TABLE plan_job FORCE ROW LEVEL SECURITY;

-- Companies with plans that ended, or drafts that nobody has decided on, before this instant. As in 0009.
CREATE POLICY owner_reads ON plan FOR SELECT TO CURRENT_USER USING (true);
CREATE FUNCTION companies_with_old_plans(before timestamptz, most integer) RETURNS TABLE (company_id uuid)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT p.company_id FROM public.plan p WHERE p.placements_kept AND p.ended_at < $1
    UNION SELECT p.company_id FROM public.plan p WHERE p.status = 'draft' AND p.created_at < $1
    LIMIT $2
$$;
REVOKE ALL ON FUNCTION companies_with_old_plans(timestamptz, integer) FROM PUBLIC;
