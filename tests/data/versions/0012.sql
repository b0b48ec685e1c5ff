-- What a program of schema 12 adds. Whose rows a plan's jobs have.
INSERT INTO plan_job SELECT DISTINCT company_id, plan_id, job_id, plan_id FROM plan_row;
