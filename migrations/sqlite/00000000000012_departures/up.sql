-- Runs and prices that their contributors have withdrawn: nothing of them is kept but that they were there, so that
-- tables which were read before leave them out, and changes keep their numbers.
CREATE TABLE departures (
    -- Id of the run or price.
    subject TEXT NOT NULL PRIMARY KEY,
    -- The change that took it out; one sequence with runs.revision.
    revision BIGINT NOT NULL UNIQUE,
    at TIMESTAMP NOT NULL
);
-- Whether anybody else's run has the same frame times.
CREATE INDEX submissions_blob ON submissions (blob) WHERE blob IS NOT NULL;
