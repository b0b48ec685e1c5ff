-- What a program of schema 4 adds. What the weather service said.
INSERT INTO region_fetch (company_id, region_id, region_version, etag, fetched_at)
    SELECT company_id, id, version, '"a-tag"', '2026-03-09 10:00:00+00' FROM region;
