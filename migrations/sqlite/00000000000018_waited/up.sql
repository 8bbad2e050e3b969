-- A run can count because it waited long enough: the list of causes grows, which needs the table anew.
CREATE TABLE judgements_new (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    ordinal INTEGER NOT NULL,
    at TIMESTAMP NOT NULL,
    -- The change that made it; unique, one sequence with runs.revision.
    revision BIGINT NOT NULL UNIQUE,
    cause TEXT NOT NULL CHECK (cause IN ('arrival', 'neighbour', 'corroborated', 'refit', 'waited', 'moderator')),
    verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'held', 'rejected')),
    -- Whether nothing but its numbers has the run held.
    by_numbers BOOLEAN NOT NULL,
    unconfirmed BOOLEAN NOT NULL,
    -- What the numeric part rests on, exactly; null without a figure that can be weighed.
    numbers TEXT CHECK (numbers IS NULL OR json_valid(numbers)),
    -- Whether nothing but its numbers, and what its frame times say of the conditions it was measured under, has the
    -- run held.
    by_conditions BOOLEAN NOT NULL DEFAULT FALSE,
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
INSERT INTO judgements_new (run, ordinal, at, revision, cause, verdict, by_numbers, unconfirmed, numbers, by_conditions)
SELECT run, ordinal, at, revision, cause, verdict, by_numbers, unconfirmed, numbers, by_conditions FROM judgements;
DROP TABLE judgements;
ALTER TABLE judgements_new RENAME TO judgements;
CREATE INDEX judgements_cause ON judgements (cause, verdict);
