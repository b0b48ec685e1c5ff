-- What a program of schema 5 adds. Air that was measured.
INSERT INTO house_air_reading (company_id, id, house_id, taken_at, temp_centi_c, rh_centi_percent, note, recorded_at, recorded_by) VALUES
    ('01a228c4-dc47-7655-94e4-26960d9a21f5', '01a228c4-e147-75eb-b949-b22d495a2684', '01a228c4-dcae-74e4-85e2-21c6857559be', '2026-03-09 11:00:00+00', 1950, 4800, NULL, '2026-03-12 22:00:00+00', 'office');
