ALTER TABLE judgements DROP COLUMN by_conditions;
