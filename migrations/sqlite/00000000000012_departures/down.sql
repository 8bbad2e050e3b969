DROP INDEX submissions_blob;
DROP TABLE departures;
