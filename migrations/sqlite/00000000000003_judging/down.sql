DROP TABLE models;
DROP TABLE judgements;
DROP TABLE traits;
