-- What the weather service said about the forecast that a region got from it last, so that the next question is only
-- answered if there is news. It counts only while the region is still what that fetch made it.

CREATE TABLE region_fetch (
    company_id     uuid        NOT NULL,
    region_id      uuid        NOT NULL,
    region_version bigint      NOT NULL,
    etag           text,
    last_modified  text,
    fetched_at     timestamptz NOT NULL,
    PRIMARY KEY (company_id, region_id),
    CONSTRAINT region_fetch_region_fkey FOREIGN KEY (company_id, region_id) REFERENCES region (company_id, id)
);

ALTER TABLE region_fetch ENABLE ROW LEVEL SECURITY;
ALTER TABLE region_fetch FORCE ROW LEVEL SECURITY;
CREATE POLICY own_company ON region_fetch
    USING (company_id = nullif(current_setting('app.company', true), '')::uuid)
    WITH CHECK (company_id = nullif(current_setting('app.company', true), '')::uuid);
