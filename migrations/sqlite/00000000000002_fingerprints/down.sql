DROP TABLE anchored;
DROP TABLE aligned;
DROP TABLE fingerprints;
