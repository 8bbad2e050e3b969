-- What of a run is kept so that the references of its scene can be made again without its frames. Runs that were
-- paced or interrupted have none.
CREATE TABLE shapes (
    run TEXT NOT NULL PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
    shape BLOB NOT NULL
) WITHOUT ROWID;

-- What is usual of each scene. Earlier refreshes stay, so that a verdict can be computed again with the references
-- that it rests on.
CREATE TABLE scene_references (
    workload TEXT NOT NULL,
    scene TEXT NOT NULL,
    -- The refresh that made them.
    revision BIGINT NOT NULL,
    made_at TIMESTAMP NOT NULL,
    document TEXT NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (workload, scene, revision)
) WITHOUT ROWID;
CREATE INDEX scene_references_revision ON scene_references (revision);
