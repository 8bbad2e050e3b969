"""The prediction model's effects and figures, written down a second time with numpy.

Shared by model_check.py and model_solve.py. A document (JSON) has the constants (`policy`), the rows (`features`,
`ln_fps`, `weight`) and what the service's own code found.
"""

import math

import numpy
import scipy.sparse

UNKNOWN = 2**32 - 1
CARD, PLATFORM, OUTSIDE = 0, 1, 2


def memory_sd(features, policy):
    fitted = features["memory_mib"] or policy["memory_unknown_mib"]
    bucket = round_half_away(8.0 * features["ln_pixels"])
    asked = math.log(policy["memory_need_mib"]) + policy["memory_need_rank"] * features["preset_rank"] \
        + policy["memory_need_pixels"] * bucket / 8.0
    doubt = 1.0 / (1.0 + math.exp(-policy["memory_slope"] * (asked - math.log(fitted))))
    light, heavy = policy["memory_light_sd"], policy["memory_heavy_sd"]
    return light + (heavy - light) * doubt


def round_half_away(value):
    return math.copysign(math.floor(abs(value) + 0.5), value)


def effects(features, policy):
    """(side, key, factor, prior mean, prior sd) of every effect of a run."""
    f, p = features, policy
    card, workload, stage, preset, cpu = f["card"], f["workload"], f["stage"], f["preset"], f["cpu"]
    family = f["family"] if f["family"] != UNKNOWN else ("card", card)
    bench, unit, release = (f["contributor"], f["bench"]), (f["contributor"], card), f["release"]
    pixels, single = -f["ln_pixels"], float(f["single_channel"])
    bucket = round_half_away(8.0 * f["ln_pixels"])
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
        (CARD, ("memory", f["memory_mib"], preset, bucket), 1.0, 0.0, memory_sd(f, p)),
        (PLATFORM, ("cpu", cpu), 1.0, p["cpu_mean"], p["cpu_sd"]),
        (PLATFORM, ("workload cpu", workload), 1.0, 0.0, p["workload_cpu_sd"]),
        (PLATFORM, ("stage cpu", stage), 1.0, 0.0, p["stage_cpu_sd"]),
        (PLATFORM, ("cpu workload", cpu, workload), 1.0, 0.0, p["cpu_workload_sd"]),
        (PLATFORM, ("bench platform", bench), 1.0, 0.0, p["bench_platform_sd"]),
        (PLATFORM, ("single",), single, p["single_channel_mean"], p["single_channel_sd"]),
        (PLATFORM, ("single workload", workload), single, 0.0, p["single_channel_workload_sd"]),
        (PLATFORM, ("preset cpu", workload), f["preset_rank"], p["preset_cpu_mean"], p["preset_cpu_sd"]),
        (OUTSIDE, ("bench", bench), 1.0, 0.0, p["bench_sd"]),
        (OUTSIDE, ("unit", unit), 1.0, 0.0, p["unit_sd"]),
        (OUTSIDE, ("release workload", release, workload), 1.0, 0.0, p["release_workload_sd"]),
        (OUTSIDE, ("release family", release, family), 1.0, 0.0, p["release_family_sd"]),
        (OUTSIDE, ("release workload family", release, workload, family), 1.0, 0.0,
         p["release_workload_family_sd"]),
        (OUTSIDE, ("build", workload, f["build"]), 1.0, 0.0, p["build_sd"]),
    ]


class Design:
    """Three sparse matrices (a side each) of rows by parameters, and the parameters' priors."""

    def __init__(self, many_features, policy, more=()):
        self.policy = policy
        self.index, self.mean, self.sd = {}, [], []
        for features in [*many_features, *more]:
            for _, key, factor, mean, sd in effects(features, policy):
                if factor != 0.0 and key not in self.index:
                    self.index[key] = len(self.index)
                    self.mean.append(mean)
                    self.sd.append(sd)
        self.mean, self.sd = numpy.array(self.mean), numpy.array(self.sd)
        self.sides = self.rows(many_features)

    def rows(self, many_features):
        entries = [([], [], []) for _ in range(3)]
        for row, features in enumerate(many_features):
            for side, key, factor, _, _ in effects(features, self.policy):
                if factor != 0.0:
                    for values, value in zip(entries[side], (row, self.index[key], factor)):
                        values.append(value)
        shape = (len(many_features), len(self.index))
        return [scipy.sparse.csr_matrix((x, (i, j)), shape=shape) for i, j, x in entries]

    def evaluate(self, sides, beta, sharpness=None):
        """Prediction and share of the card."""
        p = self.policy["sharpness"] if sharpness is None else sharpness
        card, platform, outside = (side @ beta for side in sides)
        low = numpy.minimum(card, platform)
        limited = low - numpy.log(numpy.exp(-p * (card - low)) + numpy.exp(-p * (platform - low))) / p
        share = 1.0 / (1.0 + numpy.exp(p * (card - platform)))
        return limited + outside, share

    def jacobian(self, sides, share):
        by = scipy.sparse.diags
        return (by(share) @ sides[0] + by(1.0 - share) @ sides[1] + sides[2]).tocsr()
