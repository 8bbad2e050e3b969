"""Fits the prediction model with numpy and scipy and prints how long that takes.

    model_solve.py DOCUMENT

The document is that of model_check.py. The same steps as the service's own code takes, written as one would with
these libraries: sparse slopes, dense normal equations, scipy's Cholesky factorisation (LAPACK, as many threads as
its library wants), the inverse by LAPACK's potri at the end. Reading and indexing the rows is not timed. Prints one
JSON object: seconds, steps, residual scale, greatest difference of a predicted rate to the service's.
"""

import json
import sys
import time

import numpy
import scipy.linalg
import scipy.sparse

from model_terms import Design


def solve(design, y, weight):
    policy = design.policy
    nu, beta, sigma = policy["tail_df"], design.mean.copy(), policy["scale_start"]
    precision = design.precision
    steps = 0
    while True:
        fitted, by_side = design.evaluate(design.sides, beta)
        residuals, scales = y - fitted, sigma / numpy.sqrt(weight)
        w = (nu + 1.0) / (nu * scales**2 + residuals**2)
        slopes = design.jacobian(design.sides, by_side)
        normal = (slopes.T @ scipy.sparse.diags(w) @ slopes).toarray()
        normal += precision
        factor, lower = scipy.linalg.cho_factor(normal, lower=True, overwrite_a=True, check_finite=False)
        if steps and (settled and (longest < policy["step_least"] or decrement < policy["decrement_least"])
                      or steps >= policy["steps_cold"]):
            break
        downhill = slopes.T @ (w * residuals) - precision @ (beta - design.mean)
        step = scipy.linalg.cho_solve((factor, lower), downhill, check_finite=False)
        decrement = step @ downhill
        longest = numpy.abs(step).max()
        step *= min(1.0, policy["step_most"] / longest)
        beta, steps = beta + step, steps + 1
        residuals = y - design.evaluate(design.sides, beta)[0]
        middle = numpy.median(numpy.abs(residuals) * numpy.sqrt(weight))
        before, sigma = sigma, min(max(policy["scale_factor"] * 1.4826 * middle, policy["scale_least"]),
                                   policy["scale_most"])
        settled = abs(sigma / before - 1.0) < policy["step_least"]
    covariance, info = scipy.linalg.lapack.dpotri(factor, lower=1, overwrite_c=1)
    assert info == 0
    return beta, sigma, steps, covariance


with open(sys.argv[1], encoding="utf-8") as file:
    document = json.load(file)
rows = document["rows"]
asked = [query["features"] for query in document["queries"]]
design = Design([row["features"] for row in rows], document["policy"])
y = numpy.array([row["ln_fps"] for row in rows])
weight = numpy.array([row["weight"] for row in rows])
start = time.perf_counter()
beta, sigma, steps, covariance = solve(design, y, weight)
seconds = time.perf_counter() - start
sides = design.rows(asked)
fitted, slopes = design.evaluate(sides, beta)
x = design.jacobian(sides, slopes)
full = numpy.tril(covariance) + numpy.tril(covariance, -1).T
variance = numpy.asarray(x.multiply(x @ full).sum(axis=1)).ravel()
print(json.dumps({
    "seconds": seconds, "steps": steps, "parameters": len(beta), "sigma": sigma,
    "rate_difference": float(numpy.median(numpy.abs(fitted - [query["ln_fps"] for query in document["queries"]]))),
    "variance_ratio": float(numpy.median(variance / [query["variance"] for query in document["queries"]])),
}))
