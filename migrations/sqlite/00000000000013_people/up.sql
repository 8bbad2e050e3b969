-- Many accounts, one person. The network a run came from, as a keyed hash whose key is not in the database; null for
-- addresses that say nothing of a person, and after a year.
ALTER TABLE submissions ADD COLUMN network TEXT;
CREATE INDEX submissions_network ON submissions (network) WHERE network IS NOT NULL;
-- Hash of what the bench is made of, without what its owner calls it.
ALTER TABLE benches ADD COLUMN parts TEXT;
CREATE INDEX benches_parts ON benches (parts) WHERE parts IS NOT NULL;

-- What two accounts have in common.
CREATE TABLE ties (
    -- The account with the smaller id.
    first TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    second TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    -- Words separated by blanks.
    kinds TEXT NOT NULL,
    seen_at TIMESTAMP NOT NULL,
    -- A moderator found that they are two persons; an account id.
    separated_by TEXT,
    separated_at TIMESTAMP,
    PRIMARY KEY (first, second)
) WITHOUT ROWID;
CREATE INDEX ties_second ON ties (second);

-- As whom an account counts, each time that this changed; the last one holds.
CREATE TABLE people (
    account TEXT NOT NULL,
    -- The change that it is; one sequence with runs.revision.
    revision BIGINT NOT NULL,
    person TEXT NOT NULL,
    PRIMARY KEY (account, revision)
) WITHOUT ROWID;
CREATE INDEX people_revision ON people (revision);
