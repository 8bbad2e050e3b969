-- How much of the rate of every run that the model knows is the card's: the name of the blob that has it; null in models of
-- earlier versions.
ALTER TABLE models ADD COLUMN views TEXT;
