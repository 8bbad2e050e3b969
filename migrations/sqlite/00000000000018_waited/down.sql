CREATE TABLE judgements_old (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    ordinal INTEGER NOT NULL,
    at TIMESTAMP NOT NULL,
    revision BIGINT NOT NULL UNIQUE,
    cause TEXT NOT NULL CHECK (cause IN ('arrival', 'neighbour', 'corroborated', 'refit', 'moderator')),
    verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'held', 'rejected')),
    by_numbers BOOLEAN NOT NULL,
    unconfirmed BOOLEAN NOT NULL,
    numbers TEXT CHECK (numbers IS NULL OR json_valid(numbers)),
    by_conditions BOOLEAN NOT NULL DEFAULT FALSE,
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
-- What the older program can read.
INSERT INTO judgements_old (run, ordinal, at, revision, cause, verdict, by_numbers, unconfirmed, numbers, by_conditions)
SELECT run, ordinal, at, revision, CASE cause WHEN 'waited' THEN 'refit' ELSE cause END, verdict, by_numbers,
    unconfirmed, numbers, by_conditions FROM judgements;
DROP TABLE judgements;
ALTER TABLE judgements_old RENAME TO judgements;
CREATE INDEX judgements_cause ON judgements (cause, verdict);
