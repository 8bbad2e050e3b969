DROP TABLE corrections;
