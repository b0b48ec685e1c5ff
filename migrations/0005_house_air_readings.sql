-- Air measured in houses: appended, never changed. Of two for one minute, planning heeds the one reported later.

CREATE TABLE house_air_reading (
    company_id       uuid        NOT NULL,
    id               uuid        NOT NULL,
    house_id         uuid        NOT NULL,
    -- On a whole minute.
    taken_at         timestamptz NOT NULL CHECK (date_trunc('minute', taken_at, 'UTC') = taken_at),
    temp_centi_c     integer     NOT NULL CHECK (temp_centi_c BETWEEN -6000 AND 6000),
    rh_centi_percent integer     NOT NULL CHECK (rh_centi_percent BETWEEN 0 AND 10000),
    note             text,
    recorded_at      timestamptz NOT NULL,
    recorded_by      text        NOT NULL,
    PRIMARY KEY (company_id, id),
    CONSTRAINT house_air_reading_house_fkey FOREIGN KEY (company_id, house_id) REFERENCES house (company_id, id)
);
CREATE INDEX house_air_reading_by_house ON house_air_reading (company_id, house_id, taken_at);

ALTER TABLE house_air_reading ENABLE ROW LEVEL SECURITY;
ALTER TABLE house_air_reading FORCE ROW LEVEL SECURITY;
CREATE POLICY own_company ON house_air_reading
    USING (company_id = nullif(current_setting('app.company', true), '')::uuid)
    WITH CHECK (company_id = nullif(current_setting('app.company', true), '')::uuid);
