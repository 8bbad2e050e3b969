-- Labels of runs that a moderator would put right, and what the contributor answered. Only the contributor's consent
-- changes anything: the run then makes room for a corrected one.
CREATE TABLE corrections (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    moderator TEXT NOT NULL,
    at TIMESTAMP NOT NULL,
    -- An object: JSON pointers into the run document, and the values to put there; null takes a member away.
    changes TEXT NOT NULL CHECK (json_valid(changes)),
    reason TEXT NOT NULL,
    answered_at TIMESTAMP,
    agreed BOOLEAN,
    -- The corrected run.
    became TEXT,
    CHECK ((answered_at IS NULL) = (agreed IS NULL))
);
CREATE INDEX corrections_run ON corrections (run, id);
CREATE UNIQUE INDEX corrections_open ON corrections (run) WHERE answered_at IS NULL;
