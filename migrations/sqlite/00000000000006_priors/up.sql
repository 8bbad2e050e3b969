-- What contributors differed by when the model was fitted, as JSON: the priors of the published intervals.
ALTER TABLE models ADD COLUMN priors TEXT CHECK (priors IS NULL OR json_valid(priors));
