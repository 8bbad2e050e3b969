-- What moderators decided of price reports, with their words; they go with the report. The trail keeps ids and a hash of
-- the words.
CREATE TABLE price_decisions (
    id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    at TIMESTAMP NOT NULL,
    moderator TEXT NOT NULL,
    price TEXT NOT NULL REFERENCES prices (id) ON DELETE CASCADE,
    decision TEXT NOT NULL CHECK (decision IN ('accept', 'reject')),
    reason TEXT NOT NULL,
    was TEXT NOT NULL CHECK (was IN ('accepted', 'held', 'rejected')),
    becomes TEXT NOT NULL CHECK (becomes IN ('accepted', 'rejected')),
    -- The change of the report that it made.
    revision BIGINT NOT NULL,
    -- Whether moderator and contributor share a bench or a network.
    close BOOLEAN NOT NULL
);
CREATE INDEX price_decisions_price ON price_decisions (price, id);
CREATE TRIGGER price_decisions_keep_their_words BEFORE UPDATE ON price_decisions BEGIN
    SELECT RAISE(ABORT, 'a decision is answered by another one');
END;
-- The reports that wait, oldest first.
CREATE INDEX prices_verdict ON prices (verdict, id);
