-- What an account may not do for a while; null where nothing is held against it.
ALTER TABLE accounts ADD COLUMN suspended_until TIMESTAMP;
-- Until then everything that it submits is held for a moderator.
ALTER TABLE accounts ADD COLUMN hold_all_until TIMESTAMP;

-- Tokens of the earlier form had neither scopes nor an end; they are not kept.
DROP TABLE tokens;
CREATE TABLE tokens (
    -- SHA-256 of the token; the token itself is nowhere.
    hash TEXT NOT NULL PRIMARY KEY,
    -- By which it is listed and revoked.
    id TEXT NOT NULL UNIQUE,
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    label TEXT NOT NULL,
    -- Words separated by blanks.
    scopes TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP NOT NULL,
    -- Written at most once a minute.
    last_used_at TIMESTAMP,
    revoked_at TIMESTAMP
);
CREATE INDEX tokens_account ON tokens (account, id);

-- Log-ins of pages. An ended one is deleted.
CREATE TABLE sessions (
    -- SHA-256 of the cookie's value; the value itself is nowhere.
    hash TEXT NOT NULL PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    -- What the browser calls itself, so that its owner recognises it in a list.
    agent TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    -- Written at most once a minute.
    seen_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP NOT NULL
);
CREATE INDEX sessions_account ON sessions (account, id);

CREATE TABLE invitations (
    -- SHA-256 of the invitation; the invitation itself is nowhere.
    hash TEXT NOT NULL PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    role TEXT NOT NULL CHECK (role IN ('contributor', 'moderator', 'operator')),
    -- An account id, or 'service'.
    made_by TEXT NOT NULL,
    created_at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP NOT NULL,
    used_at TIMESTAMP
);

-- Time-based codes (RFC 6238).
CREATE TABLE second_factors (
    account TEXT NOT NULL PRIMARY KEY REFERENCES accounts (id) ON DELETE CASCADE,
    -- The shared secret in base32; codes cannot be computed from a hash of it.
    secret TEXT NOT NULL,
    -- Null until its owner has shown a code of it.
    confirmed_at TIMESTAMP,
    -- The time step of the last code taken: no step counts twice.
    last_step BIGINT NOT NULL
);

CREATE TABLE recovery_codes (
    account TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    -- SHA-256 of the code.
    hash TEXT NOT NULL,
    used_at TIMESTAMP,
    PRIMARY KEY (account, hash)
) WITHOUT ROWID;
