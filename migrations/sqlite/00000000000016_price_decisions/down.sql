DROP INDEX prices_verdict;
DROP TABLE price_decisions;
