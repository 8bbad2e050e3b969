"""How much throttling the best of all tests could find where no path is fixed, in the worlds of the evaluation.

    python tests/python/throttling_bound.py

The test that finds most at a given share of false alarms compares the likelihood ratio with one limit (Neyman and
Pearson 1933, On the problem of the most efficient tests of statistical hypotheses); for declines of many sizes that is
the ratio's mean over the sizes. It is given here what no judge has: how far apart the passes of this very run
would fall by chance, how the scene wanders, and that a fall is even from the first frame to the last. So what it finds
is a bound for every test, not a promise. The noise is that of `seed-data/src/series.rs` and `frames.rs`.
"""

import numpy

RUNS = 200_000
DECLINES = numpy.linspace(0.08, 0.25, 60)
# The longest passes and the least wandering that the worlds have: what makes a slope clearest.
PASS_S, STEP_S = 132.0, 0.5
WANDER_SD, WANDER_S, COURSE_S = 0.012, 3.0, 8.0
SCENES = {
    # Spread of pass means, spread of the course within a pass; standard deviations in logs, bounds.
    "practice areas": ((0.008, 0.016), (0.03, 0.07)),
    "free play and matches": ((0.03, 0.05), (0.10, 0.17)),
}


def slope_information(course_sd):
    """Fisher information about the change of ln rate from start to end of one pass whose level is not known."""
    t = numpy.arange(0.0, PASS_S, STEP_S)
    apart = numpy.abs(t[:, None] - t[None, :])
    covariance = course_sd**2 * numpy.exp(-apart / COURSE_S) + WANDER_SD**2 * numpy.exp(-apart / WANDER_S)
    design = numpy.column_stack([numpy.ones_like(t), t / PASS_S - 0.5])
    information = design.T @ numpy.linalg.solve(covariance, design)
    return information[1, 1] - information[0, 1] ** 2 / information[0, 0]


def precision(random, scene, rate_sd):
    """Fisher information about the decline over each of many runs of a scene."""
    levels, courses = SCENES[scene]
    level_sd = random.uniform(*levels, RUNS) * numpy.exp(0.3 * random.normal(size=RUNS))
    course_sd = random.uniform(*courses, RUNS)
    passes = numpy.where(random.random(RUNS) < 0.06, 4, 3)
    grid = numpy.linspace(*courses, 9)
    slopes = numpy.interp(course_sd, grid, [slope_information(sd) for sd in grid])
    # p passes lie at (i + 1/2) / p of the decline, whose squared distances from the middle add up to (p^2 - 1) / 12p.
    between = (passes**2 - 1) / (12 * passes) / level_sd**2
    # Within each of p passes the rate falls by a p-th.
    within = passes * slopes / passes**2
    # The mean of the run lies half the decline below what is expected.
    rate = 0.0 if rate_sd is None else 0.25 / rate_sd**2
    return between + within + rate


def ratio(z, k):
    """ln of the mean likelihood ratio over the sizes, for estimates z = decline k + N(0, 1)."""
    total = numpy.zeros_like(z)
    top = z**2 / 2
    for decline in DECLINES:
        total += numpy.exp(decline * k * z - (decline * k) ** 2 / 2 - top)
    return top + numpy.log(total / len(DECLINES))


def found(scene, rate_sd, held):
    """Shares found of all declines, and of those below 9.5 %, when a share `held` of honest runs is held."""
    random = numpy.random.default_rng(1)
    k = numpy.sqrt(precision(random, scene, rate_sd))
    limit = numpy.quantile(ratio(random.normal(size=RUNS), k), 1 - held)
    decline = random.uniform(DECLINES[0], DECLINES[-1], RUNS)
    beyond = ratio(decline * k + random.normal(size=RUNS), k) > limit
    return beyond.mean(), beyond[decline < 0.095].mean()


def main():
    print("scene                  rate known to  honest held  found of 8 to 25 %  of 8 to 9.5 %")
    for scene in SCENES:
        for rate_sd in (0.025, 0.03, 0.04, None):
            for held in (0.005, 0.01, 0.02):
                every, small = found(scene, rate_sd, held)
                known = "not" if rate_sd is None else f"{100 * rate_sd:.1f} %"
                print(f"{scene:21}  {known:>13}  {100 * held:9.1f} %  {100 * every:16.1f} %  {100 * small:11.1f} %")


if __name__ == "__main__":
    main()
