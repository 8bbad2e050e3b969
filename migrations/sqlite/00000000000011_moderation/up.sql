-- The trail of decisions as a chain: each link is the SHA-256 of the link before it and of its row, so that a changed,
-- a moved or a missing row shows. Apart from the rows, which nothing may change; those of before are linked at start.
CREATE TABLE audit_links (
    id INTEGER NOT NULL PRIMARY KEY REFERENCES audit (id),
    hash TEXT NOT NULL
);
CREATE TRIGGER audit_links_keep_their_rows BEFORE DELETE ON audit_links BEGIN
    SELECT RAISE(ABORT, 'the audit trail only grows');
END;
CREATE TRIGGER audit_links_keep_their_words BEFORE UPDATE ON audit_links BEGIN
    SELECT RAISE(ABORT, 'the audit trail only grows');
END;

-- A person decides too: the list of causes grows, which needs the table anew.
CREATE TABLE judgements_new (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    ordinal INTEGER NOT NULL,
    at TIMESTAMP NOT NULL,
    -- The change that made it; unique, one sequence with runs.revision.
    revision BIGINT NOT NULL UNIQUE,
    cause TEXT NOT NULL CHECK (cause IN ('arrival', 'neighbour', 'corroborated', 'refit', 'moderator')),
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

-- What moderators decided of runs, with their words; they go with the run. The trail keeps ids and a hash of the words.
CREATE TABLE decisions (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    at TIMESTAMP NOT NULL,
    moderator TEXT NOT NULL,
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    decision TEXT NOT NULL CHECK (decision IN ('accept', 'reject', 'rerun', 'duplicate', 'revert')),
    reason TEXT NOT NULL,
    was TEXT NOT NULL CHECK (was IN ('accepted', 'held', 'rejected')),
    becomes TEXT NOT NULL CHECK (becomes IN ('accepted', 'held', 'rejected')),
    -- The run that a duplicate is one of.
    original TEXT,
    -- The decision that this one takes back; each once.
    reverts BIGINT UNIQUE,
    -- Decisions that were made together.
    batch TEXT,
    -- The change of the run that it made.
    revision BIGINT NOT NULL,
    -- Whether moderator and contributor share a bench or a network.
    close BOOLEAN NOT NULL
);
CREATE INDEX decisions_run ON decisions (run, id);
CREATE TRIGGER decisions_keep_their_words BEFORE UPDATE ON decisions BEGIN
    SELECT RAISE(ABORT, 'a decision is taken back by another one');
END;

-- Who is at work on a case, so that two do not decide it.
CREATE TABLE claims (
    run TEXT NOT NULL PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    moderator TEXT NOT NULL,
    until TIMESTAMP NOT NULL
);

-- A contributor's word against a rejection; one a run.
CREATE TABLE appeals (
    run TEXT NOT NULL PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    words TEXT NOT NULL
);

-- What is done about a contributor rather than a run.
CREATE TABLE measures (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('note', 'hold-all', 'suspend')),
    words TEXT NOT NULL,
    moderator TEXT NOT NULL,
    at TIMESTAMP NOT NULL,
    -- Null: until it is lifted.
    until TIMESTAMP,
    lifted_at TIMESTAMP
);
CREATE INDEX measures_account ON measures (account);
