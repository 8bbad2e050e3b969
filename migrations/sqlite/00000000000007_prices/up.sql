-- What was asked or paid for cards. Amounts are whole minor units of their currency; no figure here is a float.
CREATE TABLE prices (
    id TEXT NOT NULL PRIMARY KEY,
    -- The change that wrote it last; unique, one sequence with runs.revision.
    revision BIGINT NOT NULL UNIQUE,
    contributor TEXT NOT NULL REFERENCES accounts (id) ON DELETE CASCADE,
    received_at TIMESTAMP NOT NULL,
    -- Hash of contributor and all that tells reports apart, the note aside: the same report again has the same.
    fingerprint TEXT NOT NULL UNIQUE,
    verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'held', 'rejected')),
    -- Whether nothing but the distance of its amount has it held.
    by_numbers BOOLEAN NOT NULL,
    -- Catalogue id, or a normalised form of the claim while the catalogue does not know the card.
    card TEXT NOT NULL,
    amount_minor BIGINT NOT NULL CHECK (amount_minor > 0),
    currency TEXT NOT NULL,
    -- Days from 1970-01-01.
    day INTEGER NOT NULL,
    condition TEXT NOT NULL CHECK (condition IN ('new', 'open-box', 'refurbished', 'used', 'untested', 'for-parts')),
    country TEXT NOT NULL,
    source TEXT NOT NULL CHECK (source IN ('completed-sale', 'shop-offer', 'asking-price')),
    -- The report as submitted.
    document TEXT NOT NULL CHECK (json_valid(document)),
    findings TEXT NOT NULL CHECK (json_valid(findings)),
    -- What the numeric part of the verdict rests on; null without peers.
    numbers TEXT CHECK (numbers IS NULL OR json_valid(numbers))
);
-- The reports beside which another is judged, and lists of a card.
CREATE INDEX prices_card ON prices (card, currency, id);
-- Tables over a window of days.
CREATE INDEX prices_day ON prices (day) WHERE verdict = 'accepted';
CREATE INDEX prices_contributor ON prices (contributor, id);
