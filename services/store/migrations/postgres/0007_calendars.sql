-- What a site's due dates and alerts go by: holidays, the hour of firing, quiet hours, who hears when.

ALTER TABLE site ADD COLUMN closures TEXT COLLATE "C" NOT NULL DEFAULT '[]';        -- JSON list of [first day, last day, reason]
ALTER TABLE site ADD COLUMN firing_time TEXT COLLATE "C" NOT NULL DEFAULT '15:00';  -- local, HH:MM
ALTER TABLE site ADD COLUMN quiet_from TEXT COLLATE "C" NOT NULL DEFAULT '19:00';   -- local, HH:MM
ALTER TABLE site ADD COLUMN quiet_until TEXT COLLATE "C" NOT NULL DEFAULT '07:00';  -- equal to quiet_from: no quiet hours
ALTER TABLE site ADD COLUMN manager_after_days BIGINT NOT NULL DEFAULT 1;
ALTER TABLE site ADD COLUMN quality_after_days BIGINT NOT NULL DEFAULT 3;
ALTER TABLE site ADD COLUMN silent_after_days BIGINT NOT NULL DEFAULT 35;

-- What the next steps of a calibration follow from, without reading whole evaluations. Both follow from
-- `result`, which the audit chain vouches for.
ALTER TABLE evaluation ADD COLUMN advice TEXT COLLATE "C";       -- leave, adjust, fire_again, service; null when not evaluable
ALTER TABLE evaluation ADD COLUMN conformance DOUBLE PRECISION;  -- probability of being within tolerance; null likewise

UPDATE evaluation SET advice = json_extract(result, '$.decision.advice'),
    conformance = CAST(json_extract(result, '$.decision.conformance_probability') AS DOUBLE PRECISION);

-- Whether the readings speak for a drift, so that the next calibration is due within a week.
ALTER TABLE tracked_offset ADD COLUMN may_drift BOOLEAN NOT NULL DEFAULT FALSE;
