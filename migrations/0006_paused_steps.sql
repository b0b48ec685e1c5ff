-- A crew may leave a dividable step before its end: how much is left is in the record's document.

ALTER TABLE step_record DROP CONSTRAINT step_record_outcome_check;
ALTER TABLE step_record ADD CONSTRAINT step_record_outcome_check
    CHECK (outcome IN ('running', 'done', 'failed', 'paused'));
