"""Recomputes the table of medians from the accepted runs with pandas and with DuckDB.

    medians_check.py [--evidence full,short] [--some] RUNS MEDIANS...

RUNS     one row a run, Parquet or CSV, as the service exports them
MEDIANS  the table of medians, all its pages, each JSON ({"rows": [...]} or a list) or CSV
--some   the table was filtered: groups that it lacks are no fault

Both engines compute the median of each contributor's runs, then the median of the contributors. Counts must
be equal, medians equal within 1e-12 relative: engines differ in how they halve the middle two. Prints the
mismatches and `N passed, M failed`; exit code 1 on any mismatch or when there was nothing to compare.
"""

import argparse
import json
import math
import sys

import duckdb
import pandas

CONFIGURATION = ["card", "workload", "scene", "api", "preset", "width", "height", "render_scale", "variant"]
EXTRA = ["driver", "build", "platform"]
LOWS = {
    "percentile": "low_percentile_fps",
    "tail-mean": "low_tail_mean_fps",
    "time-share": "low_time_share_fps",
}
COUNTS = ["runs", "contributors", "benches"]
FIGURES = ["mean_fps", "low_fps"]
TEXTS = ["card", "workload", "scene", "api", "preset", "variant", "driver", "build", "platform"]
TOLERANCE = 1e-12


def read_csv(path):
    return pandas.read_csv(path, dtype={name: "string" for name in TEXTS}, keep_default_na=False,
                           na_values={name: [""] for name in FIGURES + list(LOWS.values())})


def read_runs(path):
    return pandas.read_parquet(path) if path.endswith(".parquet") else read_csv(path)


def read_medians(paths):
    rows = []
    for path in paths:
        if path.endswith(".csv"):
            rows.extend(read_csv(path).to_dict("records"))
        else:
            with open(path, encoding="utf-8") as file:
                document = json.load(file)
            rows.extend(document if isinstance(document, list) else document["rows"])
    return rows


def missing(value):
    return value is None or value is pandas.NA or (isinstance(value, float) and math.isnan(value))


def plain(name, value):
    """A key as text, so that engines and file formats agree on it; what is not stated is empty."""
    if missing(value):
        return ""
    if name in ("width", "height"):
        return str(int(value))
    return repr(float(value)) if name == "render_scale" else str(value)


def by_key(rows, keys):
    table = {}
    for row in rows:
        key = tuple(plain(name, row[name]) for name in keys)
        if key in table:
            raise SystemExit(f"two rows for {key}")
        table[key] = row
    return table


def by_pandas(runs, keys, low, grades):
    counted = runs[(runs["outcome"] == "completed") & runs["grade"].isin(grades) & runs["mean_fps"].notna()]
    own = counted.groupby([*keys, "contributor"], dropna=False, sort=False, observed=True).agg(
        mean_fps=("mean_fps", "median"), low_fps=(low, "median"),
        runs=("run", "size"), benches=("bench", "nunique")).reset_index()
    return own.groupby(keys, dropna=False, sort=False, observed=True).agg(
        mean_fps=("mean_fps", "median"), low_fps=("low_fps", "median"), runs=("runs", "sum"),
        contributors=("contributor", "size"), benches=("benches", "sum")).reset_index().to_dict("records")


def by_duckdb(runs, keys, low, grades):
    keys = ", ".join(keys)
    connection = duckdb.connect()
    connection.register("runs_of_all", runs)
    cursor = connection.execute(
        f"""
        with own as (
            select {keys}, contributor, median(mean_fps) as mean_fps, median({low}) as low_fps,
                   count(*) as runs, count(distinct bench) as benches
            from (select * replace (case when isnan({low}) then null else {low} end as {low},
                                    case when isnan(mean_fps) then null else mean_fps end as mean_fps)
                  from runs_of_all)
            where outcome = 'completed' and mean_fps is not null and list_contains(?, grade)
            group by {keys}, contributor)
        select {keys}, median(mean_fps) as mean_fps, median(low_fps) as low_fps, sum(runs) as runs,
               count(*) as contributors, sum(benches) as benches
        from own group by {keys}
        """, [grades])
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row)) for row in cursor.fetchall()]


def same(name, served, computed):
    if missing(served) or missing(computed):
        return missing(served) and missing(computed)
    if name in COUNTS:
        return int(served) == int(computed)
    return abs(served - computed) <= TOLERANCE * abs(computed)


def main():
    parser = argparse.ArgumentParser(description="Recomputes the table of medians with pandas and DuckDB.")
    parser.add_argument("--evidence", default="full,short", help="grades that count")
    parser.add_argument("--some", action="store_true", help="the table was filtered")
    parser.add_argument("runs")
    parser.add_argument("medians", nargs="+")
    options = parser.parse_args()

    runs = read_runs(options.runs)
    rows = read_medians(options.medians)
    if not rows:
        print("0 passed, 1 failed: the table of medians is empty")
        return 1
    keys = CONFIGURATION + [name for name in EXTRA if name in rows[0]]
    definitions = {row["low_definition"] for row in rows}
    if len(definitions) != 1:
        print(f"0 passed, 1 failed: a table mixes definitions of the 1% low: {sorted(definitions)}")
        return 1
    low = LOWS[definitions.pop()]
    served = by_key(rows, keys)
    passed = failed = bitwise = figures = 0

    def fault(text):
        nonlocal failed
        failed += 1
        if failed <= 20:
            print(text)

    for engine, compute in (("pandas", by_pandas), ("duckdb", by_duckdb)):
        computed = by_key(compute(runs, keys, low, options.evidence.split(",")), keys)
        for key in served.keys() - computed.keys():
            fault(f"{engine}: no accepted run makes the row {key}")
        if not options.some:
            for key in computed.keys() - served.keys():
                fault(f"{engine}: the table lacks {key}")
        for key in served.keys() & computed.keys():
            for name in COUNTS + FIGURES:
                ours, theirs = served[key][name], computed[key][name]
                if same(name, ours, theirs):
                    passed += 1
                else:
                    fault(f"{engine}: {name} of {key} is {ours!r}, recomputed {theirs!r}")
                if name in FIGURES and not missing(ours):
                    figures += 1
                    bitwise += ours == theirs
    print(f"{len(rows)} rows over {len(runs)} runs; {bitwise} of {figures} medians equal to the last bit")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed or not passed else 0


if __name__ == "__main__":
    sys.exit(main())
