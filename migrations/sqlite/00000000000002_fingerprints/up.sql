-- Fingerprints of passes: where a copy of a stored pass is looked for. Passes are numbered by the revision that
-- stored their run and their place in it, since an integer costs a posting less than a run id. A posting is a
-- number under a key and nothing else; those of a deleted run lead to no fingerprint and are passed over.

CREATE TABLE fingerprints (
    pass BIGINT NOT NULL PRIMARY KEY,
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    -- 256 signs of random projections of the first frames, 8 bytes little-endian each 64.
    signs BLOB NOT NULL
) WITHOUT ROWID;
CREATE INDEX fingerprints_run ON fingerprints (run);

-- Copies that begin with the same frame: pairs of the strongest projections.
CREATE TABLE aligned (
    key BIGINT NOT NULL,
    pass BIGINT NOT NULL,
    -- The first 64 signs, to rule most postings out without another look-up.
    signs BIGINT NOT NULL,
    PRIMARY KEY (key, pass)
) WITHOUT ROWID;

-- Copies that were cut: the same of the frames behind the largest excursions of a pass.
CREATE TABLE anchored (
    key BIGINT NOT NULL,
    pass BIGINT NOT NULL,
    -- Frame of the excursion.
    frame BIGINT NOT NULL,
    signs BIGINT NOT NULL,
    PRIMARY KEY (key, pass, frame)
) WITHOUT ROWID;
