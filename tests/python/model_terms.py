"""The prediction model's effects and figures, written down a second time with numpy.

Shared by model_check.py and model_solve.py. A document (JSON) has the constants (`policy`), the rows (`features`,
`ln_fps`, `weight`) and what the service's own code found.
"""

import math

import numpy
import scipy.sparse

UNKNOWN = 2**32 - 1
CARD, PLATFORM, PRESSURE, CORNER, OUTSIDE = range(5)
MIDDLE = math.log(1920 * 1080 / (2560 * 1440))
CHAINED = ("release family", "release workload family")


def effects(features, policy):
    """(side, key, factor, prior mean, prior sd) of every effect of a run."""
    f, p = features, policy
    card, workload, stage, preset, cpu = f["card"], f["workload"], f["stage"], f["preset"], f["cpu"]
    family = f["family"] if f["family"] != UNKNOWN else ("card", card)
    bench, unit, release = (f["contributor"], f["bench"]), (f["contributor"], card), f["release"]
    pixels, single = -f["ln_pixels"], float(f["single_channel"])
    buffers = 1.0 - p["memory_buffers"] + p["memory_buffers"] * math.exp(f["ln_pixels"] - MIDDLE)
    return [
        (CARD, ("card", card), 1.0, p["card_mean"], p["card_sd"]),
        (CARD, ("workload", workload), 1.0, 0.0, p["workload_sd"]),
        (CARD, ("stage", stage), 1.0, 0.0, p["stage_sd"]),
        (CARD, ("family workload", family, workload), 1.0, 0.0, p["family_workload_sd"]),
        (CARD, ("family stage", family, stage), 1.0, 0.0, p["family_stage_sd"]),
        (CARD, ("card workload", card, workload), 1.0, 0.0, p["card_workload_sd"]),
        (CARD, ("preset", preset), 1.0, 0.0, p["preset_sd"]),
        (CARD, ("exponent",), pixels, p["exponent_mean"], p["exponent_sd"]),
        (CARD, ("exponent workload", workload), pixels, 0.0, p["exponent_workload_sd"]),
        (CARD, ("exponent family", family, workload), MIDDLE - f["ln_pixels"], 0.0, p["exponent_family_sd"]),
        (CARD, ("memory", f["memory_mib"], preset), 1.0, 0.0, p["memory_sd"]),
        (CARD, ("unit", unit), 1.0, 0.0, p["unit_sd"]),
        (CARD, ("release family", release, family), 1.0, 0.0, p["release_family_sd"]),
        (CARD, ("release workload family", release, workload, family), 1.0, 0.0,
         p["release_workload_family_sd"]),
        (PLATFORM, ("cpu", cpu), 1.0, p["cpu_mean"], p["cpu_sd"]),
        (PLATFORM, ("workload cpu", workload), 1.0, 0.0, p["workload_cpu_sd"]),
        (PLATFORM, ("stage cpu", stage), 1.0, 0.0, p["stage_cpu_sd"]),
        (PLATFORM, ("cpu workload", cpu, workload), 1.0, 0.0, p["cpu_workload_sd"]),
        (PLATFORM, ("bench platform", bench), 1.0, 0.0, p["bench_platform_sd"]),
        (PLATFORM, ("single",), single, p["single_channel_mean"], p["single_channel_sd"]),
        (PLATFORM, ("single workload", workload), single, 0.0, p["single_channel_workload_sd"]),
        (PLATFORM, ("preset cpu", workload), f["preset_rank"], p["preset_cpu_mean"], p["preset_cpu_sd"]),
        (PRESSURE, ("need",), 1.0, p["memory_need_mean"], p["memory_need_sd"]),
        (PRESSURE, ("need rank",), f["preset_rank"], p["memory_need_rank"], p["memory_need_rank_sd"]),
        (PRESSURE, ("need pixels",), f["ln_pixels"] - MIDDLE, p["memory_need_pixels"], p["memory_need_pixels_sd"]),
        (PRESSURE, ("need workload", workload), 1.0, 0.0, p["memory_need_workload_sd"]),
        (PRESSURE, ("need preset", preset), 1.0, 0.0, p["memory_need_preset_sd"]),
        # What is fitted and how buffers grow is known.
        (PRESSURE, None, 1.0, math.log(buffers / f["memory_mib"]), 0.0),
        (CORNER, ("sharpness",), 1.0, p["sharpness_mean"], p["sharpness_sd"]),
        (CORNER, ("sharpness workload", workload), 1.0, 0.0, p["sharpness_workload_sd"]),
        (OUTSIDE, ("bench", bench), 1.0, 0.0, p["bench_sd"]),
        (OUTSIDE, ("build", workload, f["build"]), 1.0, 0.0, p["build_sd"]),
    ]


class Design:
    """Five sparse matrices (a side each) of rows by parameters, and the parameters' priors."""

    def __init__(self, many_features, policy, more=()):
        self.policy = policy
        self.index, self.mean, self.sd = {}, [], []
        days = {}
        for features in [*many_features, *more]:
            days.setdefault(features["release"], features["release_day"])
            for _, key, factor, mean, sd in effects(features, policy):
                if key is not None and factor != 0.0 and key not in self.index:
                    self.index[key] = len(self.index)
                    self.mean.append(mean)
                    self.sd.append(sd)
        self.mean, self.sd = numpy.array(self.mean), numpy.array(self.sd)
        self.precision = self.prior_precision(days)
        self.sides = self.rows(many_features)

    def prior_precision(self, days):
        """Inverse of the prior covariance: diagonal, but for driver releases, whose covariance falls off
        exponentially with the days between them."""
        precision = numpy.diag(self.sd**-2.0)
        chains = {}
        for key, at in self.index.items():
            if key[0] in CHAINED:
                chains.setdefault((key[0], key[2:]), []).append((days[key[1]], at))
        for chain in chains.values():
            when, at = (numpy.array(part) for part in zip(*chain))
            apart = numpy.abs(when[:, None] - when[None, :])
            covariance = self.sd[at[0]] ** 2 * numpy.exp(-apart / self.policy["release_memory_days"])
            precision[numpy.ix_(at, at)] = numpy.linalg.inv(covariance)
        return precision

    def rows(self, many_features):
        """Of each side the matrix and what known things add."""
        entries = [([], [], []) for _ in range(5)]
        known = numpy.zeros((5, len(many_features)))
        for row, features in enumerate(many_features):
            for side, key, factor, mean, _ in effects(features, self.policy):
                if key is None:
                    known[side, row] += factor * mean
                elif factor != 0.0:
                    for values, value in zip(entries[side], (row, self.index[key], factor)):
                        values.append(value)
        shape = (len(many_features), len(self.index))
        return [scipy.sparse.csr_matrix((x, (i, j)), shape=shape) for i, j, x in entries], known

    def evaluate(self, sides, beta, doubts=None):
        """Prediction and its derivatives by the sides, the first of which is the share of the card. `doubts`:
        variances of the sides, for predictions."""
        p, (matrices, known) = self.policy, sides
        card, platform, pressure, corner, outside = (m @ beta + k for m, k in zip(matrices, known))
        slope, sharpness = p["memory_slope"], numpy.exp(corner)
        if doubts is not None:
            slope = slope / numpy.sqrt(1.0 + slope**2 * doubts[PRESSURE] / p["doubt_divisor"])
            beyond = numpy.maximum(doubts[CARD] + doubts[PLATFORM] - p["doubt_from"], 0.0)
            sharpness = sharpness / numpy.sqrt(1.0 + sharpness**2 * beyond / p["doubt_divisor"])
        full = 1.0 / (1.0 + numpy.exp(-slope * pressure))
        card = card - p["memory_loss"] * full
        low = numpy.minimum(card, platform)
        both = numpy.exp(-sharpness * (card - low)) + numpy.exp(-sharpness * (platform - low))
        share = 1.0 / (1.0 + numpy.exp(sharpness * (card - platform)))
        # d/d ln p of -ln(e^-pG + e^-pC) / p: the value itself turned round, plus the mean of both sides.
        limited = low - numpy.log(both) / sharpness
        by_corner = share * card + (1.0 - share) * platform - limited
        by_pressure = -share * p["memory_loss"] * slope * full * (1.0 - full)
        return limited + outside, numpy.array([share, 1.0 - share, by_pressure, by_corner, numpy.ones_like(share)])

    def jacobian(self, sides, slopes):
        matrices, _ = sides
        return sum(scipy.sparse.diags(slope) @ matrix for slope, matrix in zip(slopes, matrices)).tocsr()

    def loss_variance(self, pressure, variance):
        """Variance of the loss by too little memory, by Gauss and Hermite's rule."""
        nodes, weights = numpy.polynomial.hermite_e.hermegauss(7)
        weights = weights / weights.sum()
        at = pressure[:, None] + numpy.sqrt(variance)[:, None] * nodes
        loss = self.policy["memory_loss"] / (1.0 + numpy.exp(-self.policy["memory_slope"] * at))
        mean = loss @ weights
        return (loss - mean[:, None]) ** 2 @ weights
