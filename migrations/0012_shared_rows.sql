-- Plans share rows. A repair leaves most jobs as they were promised; writing their rows once more would take longer than
-- planning them. So a plan says job by job in which plan its rows are: its own, or one that had the job at the same times
-- with the same crews and gear. Rows that are shared are those of plans that were published, and are kept.

CREATE TABLE plan_job (
    company_id uuid NOT NULL,
    plan_id    uuid NOT NULL,
    job_id     uuid NOT NULL,
    -- The plan that the rows of this job were written for.
    rows_of    uuid NOT NULL,
    PRIMARY KEY (company_id, plan_id, job_id)
);
INSERT INTO plan_job SELECT DISTINCT company_id, plan_id, job_id, plan_id FROM plan_row;

-- That plan and rows exist is asked once a statement, as it is for the rows themselves.
CREATE FUNCTION plan_job_check() RETURNS trigger LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    IF EXISTS (SELECT FROM fresh f WHERE NOT EXISTS (
                   SELECT FROM plan_row r
                   WHERE (r.company_id, r.plan_id, r.job_id) = (f.company_id, f.rows_of, f.job_id))) THEN
        RAISE foreign_key_violation USING MESSAGE = 'a job of a plan without rows', CONSTRAINT = 'plan_job_rows_fkey';
    END IF;
    IF EXISTS (SELECT FROM (SELECT DISTINCT company_id, plan_id FROM fresh) f
               WHERE NOT EXISTS (SELECT FROM plan p WHERE (p.company_id, p.id) = (f.company_id, f.plan_id))) THEN
        RAISE foreign_key_violation USING MESSAGE = 'a job of an unknown plan', CONSTRAINT = 'plan_job_plan_fkey';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER plan_job_check AFTER INSERT ON plan_job
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION plan_job_check();

ALTER TABLE plan_job ENABLE ROW LEVEL SECURITY;
ALTER TABLE plan_job FORCE ROW LEVEL SECURITY;
CREATE POLICY own_company ON plan_job
    USING (company_id = nullif(current_setting('app.company', true), '')::uuid)
    WITH CHECK (company_id = nullif(current_setting('app.company', true), '')::uuid);

-- The rows of a plan, wherever they are. Why a step had moved was said of the plan that moved it.
CREATE VIEW plan_piece WITH (security_invoker = true) AS
    SELECT j.company_id, j.plan_id, j.job_id, r.step_key, r.piece_no, r.run_key, r.crew_id, r.during, r.fixed, r.units,
           CASE WHEN j.rows_of = j.plan_id THEN r.moved_because END AS moved_because
    FROM plan_job j JOIN plan_row r ON (r.company_id, r.plan_id, r.job_id) = (j.company_id, j.rows_of, j.job_id);
