DROP INDEX runs_sitting;
