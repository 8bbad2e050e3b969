DROP TABLE people;
DROP TABLE ties;
DROP INDEX benches_parts;
ALTER TABLE benches DROP COLUMN parts;
DROP INDEX submissions_network;
ALTER TABLE submissions DROP COLUMN network;
