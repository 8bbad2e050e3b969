"""Times the medians query in DuckDB on a Parquet export: FACTS.parquet CARD -> JSON on stdout."""

import json
import statistics
import sys
import time

import duckdb

KEYS = "card, workload, scene, api, preset, width, height, render_scale, variant, driver"
QUERY = """
with per_contributor as (
    select {keys}, contributor, median(mean_fps) as mean_fps,
           median(low_percentile_fps) as low_fps, count(*) as runs
    from read_parquet('{file}')
    where outcome = 'completed' and grade in ('full', 'short') and mean_fps is not null {filter}
    group by {keys}, contributor)
select {keys}, median(mean_fps), median(low_fps), sum(runs), count(*)
from per_contributor group by {keys} order by {keys}
"""


def timed(filter_clause):
    query = QUERY.format(keys=KEYS, file=sys.argv[1], filter=filter_clause)
    samples = []
    for _ in range(15):
        start = time.perf_counter()
        duckdb.sql(query).fetchall()
        samples.append((time.perf_counter() - start) * 1000)
    return statistics.median(samples)


def main():
    card = sys.argv[2].replace("'", "''")
    print(json.dumps({"one_card_ms": timed(f"and card = '{card}'"), "all_cards_ms": timed("")}))


if __name__ == "__main__":
    main()
