-- The runs of a bench and card around a day.
CREATE INDEX runs_sitting ON runs (bench, card, measured_day);
