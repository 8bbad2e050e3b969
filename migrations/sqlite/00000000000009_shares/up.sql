-- How much of the rate was the card's, by the model that judged the run when it came; null before the first model.
ALTER TABLE traits ADD COLUMN card_share DOUBLE PRECISION;

-- Contributors differ by other amounts where the card sets the rate than elsewhere. What they differ by is estimated
-- apart from now on; until the next fit what the documentation names stands.
UPDATE models SET priors = NULL;
