-- What a program of schema 10 adds. People and their browsers.
INSERT INTO person (company_id, id, name, sign_in_name, password_hash, role, created_at, password_set_at)
    SELECT id, '0195a9c6-0000-7000-8000-0000000000a1', 'Anna', 'anna', '$argon2id$', 'office', created_at, created_at FROM company;
INSERT INTO crew_link (company_id, id, name, crew_id, secret_sha256, created_at)
    SELECT company_id, '0195a9c6-0000-7000-8000-0000000000a2', 'phone of Bert', id, sha256('a link'), created_at FROM crew
    WHERE key = 'north';
INSERT INTO browser_session (company_id, id, person_id, secret_sha256, device, created_at, seen_at, idle_until, expires_at)
    SELECT company_id, '0195a9c6-0000-7000-8000-0000000000a3', id, sha256('a cookie'), 'a browser', created_at, created_at,
           created_at + interval '1 day', created_at + interval '90 days' FROM person;
