DROP TABLE recovery_codes;
DROP TABLE second_factors;
DROP TABLE invitations;
DROP TABLE sessions;
DROP TABLE tokens;
CREATE TABLE tokens (
    hash TEXT NOT NULL PRIMARY KEY,
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    label TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    revoked_at TIMESTAMP
);
CREATE INDEX tokens_account ON tokens (account);
ALTER TABLE accounts DROP COLUMN hold_all_until;
ALTER TABLE accounts DROP COLUMN suspended_until;
