"""Checks the statistics of tracks against scipy, statsmodels and ruptures.

    track_check.py DOCUMENT...

Each document (JSON) holds data and what the service's own code found. Kinds: `trend` (Theil-Sen slope with interval and
Kendall's test: scipy), `discoveries` (Benjamini and Hochberg: scipy and statsmodels), `segments` (PELT with a quadratic
cost: ruptures), `panel` (index of releases: the two-way fit of statsmodels' WLS with the covariance of the random effects
written out; where the table is balanced also GLS, and a mixed model whose variances statsmodels estimates itself).
Prints what differs and `N passed, M failed`; exit code 1 on any difference.
"""

import json
import sys

import numpy
import pandas
import ruptures
import scipy.stats
import statsmodels.api
import statsmodels.stats.multitest

passed = failed = 0


def compare(what, got, wanted, absolute=0.0, relative=0.0):
    global passed, failed
    got, wanted = numpy.atleast_1d(numpy.asarray(got)), numpy.atleast_1d(numpy.asarray(wanted))
    if got.shape != wanted.shape:
        failed += 1
        print(f"{what}: {got!r}, should be {wanted!r}")
        return
    bad = ~(numpy.abs(got - wanted) <= absolute + relative * numpy.abs(wanted))
    passed += int((~bad).sum())
    failed += int(bad.sum())
    for at in numpy.flatnonzero(bad)[:3]:
        print(f"{what} {at}: {got[at]!r}, should be {wanted[at]!r}")


def trend(document):
    x, y = numpy.array(document["points"]).T
    found = document["found"]
    slope, _, low, high = scipy.stats.theilslopes(y, x, alpha=document["level"])
    compare("slope", [found["slope"], found["low"], found["high"]], [slope, low, high], relative=1e-12)
    ties = len(set(x)) < len(x) or len(set(y)) < len(y)
    method = "asymptotic" if ties or len(x) > 50 else "exact"
    kendall = scipy.stats.kendalltau(x, y, method=method)
    compare("tau", found["tau"], kendall.statistic, absolute=1e-12)
    compare("p", found["p"], kendall.pvalue, absolute=1e-14, relative=1e-9)


def discoveries(document):
    p = document["p"]
    compare("adjusted by scipy", document["adjusted"], scipy.stats.false_discovery_control(p, method="bh"),
            relative=1e-12)
    adjusted = statsmodels.stats.multitest.multipletests(p, alpha=0.1, method="fdr_bh")[1]
    compare("adjusted by statsmodels", document["adjusted"], adjusted, relative=1e-12)


class Weighted(ruptures.base.BaseCost):
    """Squared deviations from the mean, weighted: columns are values and weights."""

    model = "weighted"
    min_size = 1

    def fit(self, signal):
        self.signal = signal
        return self

    def error(self, start, end):
        values, weights = self.signal[start:end].T
        return float(weights @ (values - numpy.average(values, weights=weights)) ** 2)


def segments(document):
    values, weights = numpy.array(document["values"]), numpy.array(document["weights"])
    search = ruptures.Pelt(custom_cost=Weighted(), min_size=1, jump=1).fit(numpy.column_stack([values, weights]))
    compare("weighted changes", document["changes"], search.predict(pen=document["penalty"])[:-1])
    if numpy.all(weights == 1.0):
        search = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(values)
        compare("changes", document["changes"], search.predict(pen=document["penalty"])[:-1])


def dummies(values):
    return pandas.get_dummies(pandas.Series(values), dtype=float).to_numpy()


def panel(document):
    policy, rows = document["policy"], pandas.DataFrame(document["rows"])
    # A site with one release says nothing.
    rows = rows[rows.groupby("site")["release"].transform("nunique") > 1].reset_index(drop=True)
    releases = sorted(rows["release"].unique())
    reference = document["reference"]
    others = [release for release in releases if release != reference]
    x = numpy.hstack([(rows["release"].to_numpy()[:, None] == numpy.array(others)).astype(float), dummies(rows["site"])])
    y = rows["ln_fps"].to_numpy()
    # Contributors alike, workloads of a contributor alike, sites of a workload alike.
    workloads = rows.groupby("contributor")["workload"].transform("nunique")
    sites = rows.groupby(["contributor", "workload"])["site"].transform("nunique")
    weights = (1.0 / (workloads * sites)).to_numpy()
    fit = statsmodels.api.WLS(y, x, weights=weights).fit()
    effects = fit.params[: len(others)]
    compare("index", document["index"], 100.0 * numpy.exp(effects), relative=1e-9)

    workload_sd, bench_sd, build_sd = (policy[name] for name in ("release_workload_sd", "bench_release_sd", "build_sd"))
    prior, free = policy["noise"], len(rows) - x.shape[1]
    own = max((fit.resid**2).sum() - free * (workload_sd**2 + bench_sd**2), 0.0)
    noise = (prior["df"] * prior["sd"] ** 2 + own) / (prior["df"] + free)
    group = lambda *names: dummies(rows[list(names)].astype(str).agg("|".join, axis=1))
    by_workload, by_bench = group("release", "workload"), group("release", "bench")
    # A build that was not stated may have changed with every release.
    parts = [noise * numpy.eye(len(rows)), bench_sd**2 * by_bench @ by_bench.T,
             workload_sd**2 * by_workload @ by_workload.T, build_sd**2 * by_workload @ by_workload.T]
    covariance = sum(parts)
    estimator = fit.model.pinv_wexog * numpy.sqrt(weights)
    variances = numpy.array([numpy.diag(estimator @ part @ estimator.T)[: len(others)] for part in parts])
    errors = numpy.sqrt(variances.sum(axis=0))
    # Degrees of freedom of a sum of variances (Satterthwaite 1946).
    known = numpy.array([prior["df"] + free] + 3 * [policy["effects_df"]])[:, None]
    t = scipy.stats.t.ppf(0.975, variances.sum(axis=0) ** 2 / (variances**2 / known).sum(axis=0))
    half = numpy.log(numpy.array(document["index_high"]) / numpy.array(document["index_low"])) / 2.0
    compare("half width", half, t * errors, relative=1e-6)
    if not document["balanced"]:
        return
    # Of a balanced table no other weights do better (Henderson's mixed model equations with these variances).
    best = statsmodels.api.GLS(y, x, sigma=covariance).fit()
    compare("GLS index", document["index"], 100.0 * numpy.exp(best.params[: len(others)]), relative=1e-8)
    best_errors = numpy.sqrt(numpy.diag(best.normalized_cov_params))[: len(others)]
    compare("GLS half width", half, t * best_errors, relative=1e-6)
    # The same with variances from the data: they scatter, so the errors agree roughly only.
    names = pandas.DataFrame({"cell": rows["release"].astype(str) + "|" + rows["workload"].astype(str),
                              "spot": rows["release"].astype(str) + "|" + rows["bench"].astype(str)})
    effects_of = {"cell": "0 + C(cell)", "spot": "0 + C(spot)"}
    within = y - pandas.Series(y).groupby(rows["site"]).transform("mean")
    mixed = statsmodels.api.MixedLM.from_formula(
        "within ~ C(release)", data=names.assign(within=within, release=rows["release"]), groups=numpy.ones(len(rows)),
        re_formula="0", vc_formula=effects_of).fit(reml=True)
    compare("mixed model index", document["index"], 100.0 * numpy.exp(
        mixed.fe_params.to_numpy()[1:]), relative=1e-6)
    compare("mixed model half width", half, t * mixed.bse_fe.to_numpy()[1:], relative=0.35)


KINDS = {"trend": trend, "discoveries": discoveries, "segments": segments, "panel": panel}
for path in sys.argv[1:]:
    with open(path, encoding="utf-8") as file:
        found = json.load(file)
    KINDS[found["kind"]](found)
print(f"{passed} passed, {failed} failed")
sys.exit(failed > 0 or passed == 0)
