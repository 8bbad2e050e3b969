CREATE TABLE aligned (
    key BIGINT NOT NULL,
    pass BIGINT NOT NULL,
    signs BIGINT NOT NULL,
    PRIMARY KEY (key, pass)
) WITHOUT ROWID;
CREATE TABLE anchored (
    key BIGINT NOT NULL,
    pass BIGINT NOT NULL,
    frame BIGINT NOT NULL,
    signs BIGINT NOT NULL,
    PRIMARY KEY (key, pass, frame)
) WITHOUT ROWID;
ALTER TABLE fingerprints DROP COLUMN anchors;
ALTER TABLE fingerprints DROP COLUMN keys;
