-- What the prediction model needs of a run beside its names, as it was when the run came.
CREATE TABLE traits (
    run TEXT NOT NULL PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    family TEXT,
    memory_mib BIGINT NOT NULL,
    preset_rank BIGINT NOT NULL,
    cpu TEXT NOT NULL,
    single_channel BOOLEAN NOT NULL,
    -- Whether the rate says something of card and platform: completed, with a rate that the load set.
    comparable BOOLEAN NOT NULL
) WITHOUT ROWID;

-- Every verdict a run ever had, in order; the last one stands.
CREATE TABLE judgements (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    ordinal INTEGER NOT NULL,
    at TIMESTAMP NOT NULL,
    -- The change that made it; unique, one sequence with runs.revision.
    revision BIGINT NOT NULL UNIQUE,
    cause TEXT NOT NULL CHECK (cause IN ('arrival', 'neighbour', 'corroborated', 'refit')),
    verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'held', 'rejected')),
    -- Whether nothing but its numbers has the run held.
    by_numbers BOOLEAN NOT NULL,
    unconfirmed BOOLEAN NOT NULL,
    -- What the numeric part rests on, exactly; null without a figure that can be weighed.
    numbers TEXT CHECK (numbers IS NULL OR json_valid(numbers)),
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
CREATE INDEX judgements_cause ON judgements (cause, verdict);

-- The models that verdicts rest on.
CREATE TABLE models (
    number BIGINT NOT NULL PRIMARY KEY,
    made_at TIMESTAMP NOT NULL,
    -- The change that put it in place.
    revision BIGINT NOT NULL UNIQUE,
    -- The last change that it has learnt from.
    learnt BIGINT NOT NULL,
    observations BIGINT NOT NULL,
    parameters BIGINT NOT NULL,
    steps BIGINT NOT NULL,
    sigma DOUBLE PRECISION NOT NULL,
    -- |z| of the mean from which runs are held while it stands.
    hold_z DOUBLE PRECISION NOT NULL,
    -- Name of its parameters in the blob store.
    blob TEXT NOT NULL,
    -- Contributors' records in it (Mandel's h).
    audit TEXT NOT NULL CHECK (json_valid(audit))
);

-- Runs that were judged before keep their verdict; they came without traits, so they teach the model nothing.
INSERT INTO judgements (run, ordinal, at, revision, cause, verdict, by_numbers, unconfirmed, numbers)
SELECT runs.id, 0, submissions.received_at, runs.revision, 'arrival', runs.verdict, FALSE, FALSE, NULL
FROM runs JOIN submissions ON submissions.run = runs.id;

-- The numbers of the judgement are in judgements now, for every verdict and in full.
ALTER TABLE submissions DROP COLUMN peers;
ALTER TABLE submissions DROP COLUMN deviation;
ALTER TABLE submissions DROP COLUMN z;
