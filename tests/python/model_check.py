"""Checks the robust fit of the prediction model against scipy and statsmodels.

    model_check.py DOCUMENT...

Each document (JSON) holds the constants, the rows, and what the service's own code found: residual scale and
predictions. Two kinds: `ceiling` (all effects; the minimum of the same penalised objective by
scipy.optimize.least_squares, variances by numpy's dense inverse, the same penalised fit by statsmodels' WLS)
and `flat` (cards and workloads with hardly any prior; statsmodels' RLM with the weights of the t distribution).
Prints what differs and `N passed, M failed`; exit code 1 on any difference.
"""

import json
import sys

import numpy
import scipy.linalg
import scipy.optimize
import scipy.sparse
import statsmodels.api
import statsmodels.robust.norms

from model_terms import CARD, PLATFORM, PRESSURE, Design

passed = failed = 0


def compare(what, got, wanted, absolute=0.0, relative=0.0):
    global passed, failed
    got, wanted = numpy.atleast_1d(numpy.asarray(got)), numpy.atleast_1d(numpy.asarray(wanted))
    bad = ~(numpy.abs(got - wanted) <= absolute + relative * numpy.abs(wanted))
    passed += int((~bad).sum())
    failed += int(bad.sum())
    for at in numpy.flatnonzero(bad)[:3]:
        print(f"{what} {at}: {got[at]!r}, should be {wanted[at]!r}")


def robust_residuals(residuals, nu, scales):
    """Whose half sum of squares is the objective of the t distribution, and their derivatives by the residual."""
    ratio = residuals / scales
    half = numpy.sqrt((nu + 1.0) * numpy.log1p(ratio**2 / nu))
    safe = numpy.where(numpy.abs(ratio) > 1e-6, half, 1.0)
    slope = numpy.where(numpy.abs(ratio) > 1e-6, (nu + 1.0) * numpy.abs(ratio) / (nu + ratio**2) / safe,
                        numpy.sqrt((nu + 1.0) / nu))
    return numpy.sign(ratio) * half, slope / scales


def minimum(design, y, scales):
    """Minimum of the penalised objective by scipy, from the prior means."""
    nu = design.policy["tail_df"]
    # (beta - mean)' Q (beta - mean) is the squared length of z = L' (beta - mean), Q = L L'.
    back = scipy.linalg.solve_triangular(numpy.linalg.cholesky(design.precision).T, numpy.eye(len(design.mean)))

    def both(z):
        beta = design.mean + back @ z
        fitted, slopes = design.evaluate(design.sides, beta)
        rho, slope = robust_residuals(y - fitted, nu, scales)
        jacobian = scipy.sparse.diags(-slope) @ design.jacobian(design.sides, slopes) @ back
        return numpy.concatenate([rho, z]), numpy.vstack([jacobian, numpy.eye(len(z))])

    found = scipy.optimize.least_squares(lambda z: both(z)[0], numpy.zeros(len(design.mean)), lambda z: both(z)[1],
                                         method="trf", xtol=1e-13, ftol=1e-13, gtol=1e-10, max_nfev=500)
    return design.mean + back @ found.x, found.cost


def ceiling(document):
    policy, rows, queries = document["policy"], document["rows"], document["queries"]
    asked = [query["features"] for query in queries]
    design = Design([row["features"] for row in rows], policy, asked)
    y = numpy.array([row["ln_fps"] for row in rows])
    scales = document["sigma"] / numpy.sqrt([row["weight"] for row in rows])
    beta, _ = minimum(design, y, scales)
    fitted, slopes = design.evaluate(design.sides, beta)
    residuals = y - fitted
    scale = policy["scale_factor"] * 1.4826 * numpy.median(numpy.abs(residuals) / scales) * document["sigma"]
    compare("residual scale", document["sigma"], numpy.clip(scale, policy["scale_least"], policy["scale_most"]),
            relative=1e-6)

    # The covariance at scipy's minimum, dense.
    nu = policy["tail_df"]
    weights = (nu + 1.0) / (nu + (residuals / scales) ** 2) / scales**2
    jacobian = design.jacobian(design.sides, slopes).toarray()
    normal = jacobian.T @ (weights[:, None] * jacobian) + design.precision
    covariance = numpy.linalg.inv(normal)

    sides = design.rows(asked)
    dense = [side.toarray() for side in sides[0]]
    by_side = numpy.array([numpy.einsum("ij,jk,ik->i", side, covariance, side) for side in dense])
    # Doubt about the pressure that the rest makes up for is none.
    certain = by_side.copy()
    certain[PRESSURE] = 0.0
    _, slopes_q = design.evaluate(sides, beta, certain)
    x = design.jacobian(sides, slopes_q).toarray()
    whole = numpy.einsum("ij,jk,ik->i", x, covariance, x)
    alone = slopes_q[PRESSURE] ** 2 * by_side[PRESSURE]
    by_side[PRESSURE] *= numpy.where(alone > whole, whole / numpy.where(alone > 0.0, alone, 1.0), 1.0)
    of_loss = design.loss_variance(dense[PRESSURE] @ beta + sides[1][PRESSURE], by_side[PRESSURE])
    by_side[CARD] += of_loss
    value, slopes_q = design.evaluate(sides, beta, by_side)
    share_q = slopes_q[CARD]
    x = design.jacobian(sides, slopes_q).toarray()
    linear = numpy.einsum("ij,jk,ik->i", x, covariance, x)
    bend = numpy.maximum(share_q**2 * of_loss - slopes_q[PRESSURE] ** 2 * by_side[PRESSURE], 0.0)
    by_side[PRESSURE] = 0.0
    apart = (slopes_q**2 * by_side).sum(axis=0)
    mixed = numpy.clip((by_side[CARD] + by_side[PLATFORM]) / policy["doubt_from"] - 1.0, 0.0, 1.0)
    variance = linear + bend + mixed * numpy.maximum(apart - linear - bend, 0.0)
    own = numpy.zeros_like(x)
    for at, features in enumerate(asked):
        bench = ("bench", (features["contributor"], features["bench"]))
        unit = ("unit", (features["contributor"], features["card"]))
        own[at, design.index[bench]] = 1.0
        own[at, design.index[unit]] = share_q[at]

    def ours(name):
        return numpy.array([query[name] for query in queries])

    compare("ln fps", ours("ln_fps"), value, absolute=1e-6)
    compare("share", ours("share"), share_q, absolute=1e-6)
    compare("variance", ours("variance"), variance, relative=1e-4)
    compare("bench", ours("bench"), own @ beta, absolute=1e-6)
    compare("bench variance", ours("bench_variance"), numpy.einsum("ij,jk,ik->i", own, covariance, own),
            relative=1e-4)

    # One penalised Gauss-Newton system of statsmodels at the minimum: priors are pseudo observations. Its
    # solution is the minimum itself, its covariance ours.
    root = numpy.linalg.cholesky(design.precision).T
    wls = statsmodels.api.WLS(numpy.concatenate([residuals + jacobian @ beta, root @ design.mean]),
                              numpy.vstack([jacobian, root]),
                              weights=numpy.concatenate([weights, numpy.ones(len(beta))])).fit()
    compare("WLS ln fps", ours("ln_fps"), value + x @ (wls.params - beta), absolute=1e-6)
    wls_linear = numpy.einsum("ij,jk,ik->i", x, wls.normalized_cov_params, x) + bend
    compare("WLS variance", ours("variance")[mixed == 0.0], wls_linear[mixed == 0.0], relative=1e-4)
    print(f"{len(rows)} rows, {len(design.mean)} parameters, {int((share_q < 0.5).sum())} of {len(asked)} predictions"
          f" platform-limited, {int((mixed > 0.0).sum())} in doubt")


class Student(statsmodels.robust.norms.RobustNorm):
    """Weights of the t distribution (Lange, Little and Taylor 1989) as a norm of statsmodels."""

    def __init__(self, nu):
        self.nu = nu

    def rho(self, z):
        return 0.5 * (self.nu + 1.0) * numpy.log1p(numpy.asarray(z) ** 2 / self.nu)

    def psi(self, z):
        return numpy.asarray(z) * self.weights(z)

    def weights(self, z):
        return (self.nu + 1.0) / (self.nu + numpy.asarray(z) ** 2)

    def psi_deriv(self, z):
        z = numpy.asarray(z)
        return (self.nu + 1.0) * (self.nu - z**2) / (self.nu + z**2) ** 2


def flat(document):
    rows, scale = document["rows"], document["sigma"]
    y = numpy.array([row["ln_fps"] for row in rows])
    columns = sorted({(name, row["features"][name]) for row in rows for name in ("card", "workload")})
    x = numpy.array([[float(row["features"][name] == level) for name, level in columns]
                     + [-row["features"]["ln_pixels"]] for row in rows])
    fit = statsmodels.api.RLM(y, x, M=Student(document["policy"]["tail_df"])).fit(
        start_scale=scale, update_scale=False, maxiter=2000, tol=1e-13, conv="coefs")
    compare("RLM ln fps", [query["ln_fps"] for query in document["queries"]], fit.fittedvalues, absolute=1e-5)
    print(f"{len(rows)} rows through statsmodels' RLM, {fit.fit_history['iteration']} iterations")


for path in sys.argv[1:]:
    with open(path, encoding="utf-8") as file:
        found = json.load(file)
    {"ceiling": ceiling, "flat": flat}[found["kind"]](found)
print(f"{passed} passed, {failed} failed")
sys.exit(failed > 0 or passed == 0)
