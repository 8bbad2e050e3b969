ALTER TABLE traits DROP COLUMN card_share;
UPDATE models SET priors = NULL;
