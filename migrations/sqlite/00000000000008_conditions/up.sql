-- Whether nothing but its numbers, and what its frame times say of the conditions it was measured under, has the run
-- held; false where its numbers alone do. Runs held before this was looked at wait for a person, as they did.
ALTER TABLE judgements ADD COLUMN by_conditions BOOLEAN NOT NULL DEFAULT FALSE;
