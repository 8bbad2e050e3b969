-- The keys of a pass move into its row, where they are written in one place, in the order of arrival; the service
-- keeps the index by key in memory. As rows of their own, a hundred of them a run lay on as many pages each. Nothing has
-- been released that still writes the old tables, so they go at once.

-- Keys of the first frames, 4 bytes big-endian each.
ALTER TABLE fingerprints ADD COLUMN keys BLOB NOT NULL DEFAULT x'';
-- Of each anchor its frame (4 bytes big-endian), its signs (8), the number of its keys (1), its keys (4 each).
ALTER TABLE fingerprints ADD COLUMN anchors BLOB NOT NULL DEFAULT x'';

CREATE INDEX aligned_pass ON aligned (pass);
CREATE INDEX anchored_pass ON anchored (pass);
UPDATE fingerprints SET
    keys = (
        SELECT unhex(coalesce(group_concat(printf('%08X', key), ''), ''))
        FROM aligned WHERE aligned.pass = fingerprints.pass
    ),
    anchors = (
        SELECT unhex(coalesce(group_concat(anchor, ''), '')) FROM (
            SELECT printf('%08X%016X%02X', frame, signs, count(*)) || group_concat(printf('%08X', key), '') AS anchor
            FROM anchored WHERE anchored.pass = fingerprints.pass
            GROUP BY frame, signs
        )
    );

DROP TABLE anchored;
DROP TABLE aligned;
