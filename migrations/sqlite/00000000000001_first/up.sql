-- Times are UTC cut to microseconds. JSON is TEXT. Ids are checked by the program before they come here.

CREATE TABLE accounts (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    -- The name in lower case: two accounts may not differ in case alone.
    name_key TEXT NOT NULL UNIQUE,
    role TEXT NOT NULL CHECK (role IN ('contributor', 'moderator', 'operator')),
    password_hash TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL
);

CREATE TABLE tokens (
    -- SHA-256 of the token; the token itself is nowhere.
    hash TEXT NOT NULL PRIMARY KEY,
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    label TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    revoked_at TIMESTAMP
);
CREATE INDEX tokens_account ON tokens (account);

CREATE TABLE catalogue (
    kind TEXT NOT NULL CHECK (kind IN ('chip', 'card', 'driver', 'cpu', 'workload')),
    id TEXT NOT NULL,
    -- Order of arrival: where two entries share a name, the earlier one has it.
    position BIGINT NOT NULL,
    -- The change that wrote it last; one sequence with runs.revision.
    revision BIGINT NOT NULL,
    document TEXT NOT NULL CHECK (json_valid(document)),
    updated_at TIMESTAMP NOT NULL,
    PRIMARY KEY (kind, id)
);
CREATE INDEX catalogue_revision ON catalogue (revision);

CREATE TABLE benches (
    id TEXT NOT NULL PRIMARY KEY,
    contributor TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    document TEXT NOT NULL CHECK (json_valid(document)),
    created_at TIMESTAMP NOT NULL
);
CREATE INDEX benches_contributor ON benches (contributor);

-- What tables, peers and ladders are made of, without any JSON.
CREATE TABLE runs (
    id TEXT NOT NULL PRIMARY KEY,
    -- The change that wrote it last; unique and increasing, given by the writer.
    revision BIGINT NOT NULL UNIQUE,
    -- Whether its verdict was changed after it was stored.
    amended BOOLEAN NOT NULL,
    contributor TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    bench TEXT NOT NULL REFERENCES benches (id) ON DELETE CASCADE,
    verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'held', 'rejected')),
    outcome TEXT NOT NULL CHECK (outcome IN ('completed', 'did-not-start', 'crashed', 'rendering-fault')),
    grade TEXT NOT NULL CHECK (grade IN ('full', 'short', 'quick', 'summary')),
    -- Days from 1970-01-01.
    measured_day INTEGER NOT NULL,
    configuration TEXT NOT NULL,
    card TEXT NOT NULL,
    chip TEXT,
    driver TEXT NOT NULL,
    branch TEXT,
    -- Days from 1970-01-01.
    driver_day INTEGER,
    workload TEXT NOT NULL,
    workload_kind TEXT,
    scene TEXT NOT NULL,
    scene_kind TEXT NOT NULL,
    build TEXT,
    api TEXT NOT NULL,
    preset TEXT NOT NULL,
    width BIGINT NOT NULL,
    height BIGINT NOT NULL,
    render_scale DOUBLE PRECISION NOT NULL,
    variant TEXT NOT NULL,
    platform TEXT NOT NULL,
    mean_fps DOUBLE PRECISION,
    low_percentile_fps DOUBLE PRECISION,
    low_tail_mean_fps DOUBLE PRECISION,
    low_time_share_fps DOUBLE PRECISION,
    between_pass_cv DOUBLE PRECISION
);
-- The peers of a run.
CREATE INDEX runs_cell ON runs (configuration, driver);
-- The resolution ladder of a bench; the id comes last so that the newest rungs are read in order, without a
-- scan along another index that happens to be in that order.
CREATE INDEX runs_ladder ON runs (bench, card, driver, workload, scene, api, preset, id);
-- Lists.
CREATE INDEX runs_card ON runs (card, id);
CREATE INDEX runs_contributor ON runs (contributor, id);
CREATE INDEX runs_not_accepted ON runs (verdict, id) WHERE verdict <> 'accepted';

-- What is read one run at a time.
CREATE TABLE submissions (
    run TEXT NOT NULL PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    received_at TIMESTAMP NOT NULL,
    measured_at TIMESTAMP NOT NULL,
    -- Hash of contributor, document and frame times: the same submission again has the same.
    fingerprint TEXT NOT NULL UNIQUE,
    -- The document as submitted, without its frame times.
    document TEXT NOT NULL CHECK (json_valid(document)),
    statistics TEXT NOT NULL CHECK (json_valid(statistics)),
    -- The numbers of the judgement.
    peers BIGINT NOT NULL,
    deviation DOUBLE PRECISION,
    z DOUBLE PRECISION,
    -- SHA-256 of the encoded frame times, which is their name in the blob store; null without any.
    blob TEXT
);

CREATE TABLE passes (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    -- Frames with frame times; 0 for a pass that has only a summary.
    frames BIGINT NOT NULL,
    -- SHA-256 of the frame times rounded to 0.01 ms; null for passes too short to tell apart.
    hash TEXT,
    PRIMARY KEY (run, position)
) WITHOUT ROWID;
CREATE INDEX passes_hash ON passes (hash) WHERE hash IS NOT NULL;

CREATE TABLE findings (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    code TEXT NOT NULL,
    severity TEXT NOT NULL CHECK (severity IN ('note', 'remark', 'hold', 'reject')),
    pointer TEXT NOT NULL,
    message TEXT NOT NULL,
    advice TEXT NOT NULL,
    evidence TEXT NOT NULL CHECK (json_valid(evidence)),
    PRIMARY KEY (run, position)
) WITHOUT ROWID;
CREATE INDEX findings_code ON findings (code, run);

CREATE TABLE proposals (
    kind TEXT NOT NULL,
    key TEXT NOT NULL,
    -- The claim as it was first written.
    name TEXT NOT NULL,
    first_seen TIMESTAMP NOT NULL,
    PRIMARY KEY (kind, key)
) WITHOUT ROWID;

-- The stored runs that need a proposed entry.
CREATE TABLE proposal_runs (
    kind TEXT NOT NULL,
    key TEXT NOT NULL,
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    PRIMARY KEY (kind, key, run),
    FOREIGN KEY (kind, key) REFERENCES proposals (kind, key) ON DELETE CASCADE
) WITHOUT ROWID;
CREATE INDEX proposal_runs_run ON proposal_runs (run);

CREATE TABLE idempotency (
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    key TEXT NOT NULL,
    body_sha256 TEXT NOT NULL,
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    receipt TEXT NOT NULL CHECK (json_valid(receipt)),
    created_at TIMESTAMP NOT NULL,
    PRIMARY KEY (account, key)
) WITHOUT ROWID;
CREATE INDEX idempotency_run ON idempotency (run);

-- What was decided, by whom and why. It refers to nothing by foreign key, so that the trace outlives what it
-- is about.
CREATE TABLE audit (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    at TIMESTAMP NOT NULL,
    -- An account id, or 'service'.
    actor TEXT NOT NULL,
    action TEXT NOT NULL,
    -- The id of the run, account or catalogue entry.
    subject TEXT NOT NULL,
    detail TEXT NOT NULL CHECK (json_valid(detail))
);
CREATE INDEX audit_subject ON audit (subject);
CREATE TRIGGER audit_keeps_its_rows BEFORE DELETE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit trail only grows');
END;
CREATE TRIGGER audit_keeps_its_words BEFORE UPDATE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit trail only grows');
END;
