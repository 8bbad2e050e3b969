DROP TABLE prices;
