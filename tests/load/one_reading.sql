-- What recording one reading writes, by pgbench: each client has a site of its own, and its readings come in order.
-- Long texts and digests are those of a reading that was recorded.
\set n :n + 1
\set fired :start + :n * 3600000000
\set seq :before + :n
BEGIN;
INSERT INTO reading (site_id, furnace_id, fired_at, id, programme_id, setpoint_c, setpoint_reported, batch_id, gauge_id,
    measurement, measured_at, purpose, performed_by, note, answered, received_at, amends, amend_reason)
VALUES (:site || :client_id, 'f0', :fired, lpad(CAST(:seq AS TEXT), 36, '0'), 'p', 1500, FALSE, :batch, 'g',
    :measurement, :fired, 'routine', 't1', '', '[]', :fired, NULL, '');
INSERT INTO evaluation (site_id, furnace_id, fired_at, reading_id, method_version, counts, observed_offset_c,
    independent_c, shared_c, mean_mm, removed_c, effects, innovation_z, innovation_sd_c, gain, advised_setpoint_c,
    next_due_on, inputs, result, advice, conformance)
VALUES (:site || :client_id, 'f0', :fired, lpad(CAST(:seq AS TEXT), 36, '0'), '1', TRUE, 0.3333333333337123,
    1.7649546139510213, 4.3782111395374015, 19.55333333333333, 0, :effects, 0.1, 2.5, 0.4, 1500, '2026-11-13', :inputs,
    :result, 'leave', 0.9657465087992338);
INSERT INTO tracked_offset (site_id, furnace_id, components, readings, last_reading_id, last_fired_at, document, may_drift)
VALUES (:site || :client_id, 'f0', 0, :n, lpad(CAST(:seq AS TEXT), 36, '0'), :fired, decode(:document, 'hex'), FALSE)
ON CONFLICT (site_id, furnace_id) DO UPDATE SET components = excluded.components, readings = excluded.readings,
    last_reading_id = excluded.last_reading_id, last_fired_at = excluded.last_fired_at, document = excluded.document,
    may_drift = excluded.may_drift;
INSERT INTO gauge_scatter (site_id, gauge_id, sum_of_squares_mm2, degrees_of_freedom)
VALUES (:site || :client_id, 'g', 0.00006666666666666, 2)
ON CONFLICT (site_id, gauge_id) DO UPDATE SET
    sum_of_squares_mm2 = gauge_scatter.sum_of_squares_mm2 + excluded.sum_of_squares_mm2,
    degrees_of_freedom = gauge_scatter.degrees_of_freedom + excluded.degrees_of_freedom;
INSERT INTO site_agenda (site_id, next_at, changes) VALUES (:site || :client_id, 0, 1)
ON CONFLICT (site_id) DO UPDATE SET next_at = 0, changes = site_agenda.changes + 1;
INSERT INTO audit (site_id, seq, at, actor, action, subject, document, digest, previous, hash, origin)
VALUES (:site || :client_id, :seq, :fired, 'local', 'reading.record',
    'sites/' || :site || :client_id || '/furnaces/f0/readings/' || lpad(CAST(:seq AS TEXT), 36, '0'), NULL, :digest,
    :digest, :digest, '127.0.0.1');
INSERT INTO request (id, method, digest, subject, site_id, seq, answered_at)
VALUES (CAST(gen_random_uuid() AS TEXT), '/ringtrue.v1.ReadingService/RecordReading', :digest,
    'sites/' || :site || :client_id || '/furnaces/f0/readings/' || lpad(CAST(:seq AS TEXT), 36, '0'),
    :site || :client_id, :seq, :fired);
-- last: every transaction waits here for the one before it
UPDATE fleet_change SET changes = changes + 1 WHERE id = 1;
COMMIT;
