"""Hours of logging left, said at a share of discharges whose end is known, and how far from the truth.

    python tests/benchmarks/truth_supply.py [--trials 100] [--at 0.6] [--tuning]

The discharges are invented: the form of Shepherd (1965, J. Electrochem. Soc. 112:657) with figures of each chemistry
drawn anew for every set, another form for alkaline cells; none of them is the shape that the analysis carries. Level,
slope, knee, temperature and the reading's wander differ from set to set. Seeds from 10,000 on are those to report.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.analysis.supply import logger_supply


def shepherd(x, rng, full, pole, gain, decay, steep):
    """V = full - pole x / (q - x) + gain exp(-decay x): figures with 15 % of scatter, the pole's place `steep`."""
    full, q = full + rng.normal(0, 0.006 * full), 1 + steep * rng.lognormal(0, 0.3)
    pole, gain, decay = (v * rng.lognormal(0, 0.15) for v in (pole, gain, decay))
    return full - pole * x / (q - x) + gain * np.exp(-decay * x)


def alkaline(x, rng):
    """A fast first fall, a long bend and a knee at the end."""
    a, b, c = (v * rng.lognormal(0, 0.15) for v in (0.09, 0.42, 0.17))
    return 1.49 + rng.normal(0, 0.015) + a * np.exp(-x / 0.06) - b * x - c * np.exp((x - 1) / rng.uniform(0.06, 0.13))


def late_knee(x, rng):
    """A lithium cell of another kind: it falls evenly and then drops, as no shape that the analysis carries."""
    a, b, c = (v * rng.lognormal(0, 0.15) for v in (0.52, 0.25, 0.3))
    return 4.18 + rng.normal(0, 0.015) - a * x**0.9 - b * x**4 - c * np.exp((x - 1) / rng.uniform(0.015, 0.03))


def early_knee(x, rng):
    """A lithium cell that bends at three fifths to four fifths of its charge and then falls three times as fast."""
    a, c = (v * rng.lognormal(0, 0.15) for v in (0.32, 0.09))
    knee, width = rng.uniform(0.6, 0.78), rng.uniform(0.02, 0.05)
    turned = width * np.log1p(np.exp((x - knee) / width))
    to_end = 4.1 - a - 3.3
    return 4.1 + rng.normal(0, 0.015) + c * np.exp(-x / 0.08) - a * x - to_end * turned / turned[-1]


# name: chemistry, cells, cut-off of a cell (V), volts of a cell against the share used up
SETS = {
    "alkaline": ("alkaline", 4, 0.9, alkaline),
    "NiMH": ("NiMH", 4, 1.05, lambda x, r: shepherd(x, r, 1.272, 0.012, 0.12, 14, 0.05)),
    "Li-ion": ("Li-ion", 1, 3.3, lambda x, r: shepherd(x, r, 3.73, 0.035, 0.45, 3.3, 0.06)),
    "Li-ion, cobalt": ("Li-ion", 1, 3.3, lambda x, r: shepherd(x, r, 3.84, 0.015, 0.34, 5.0, 0.035)),
    "lithium, late knee": ("Li-ion", 1, 3.33, late_knee),
    "lithium, early knee": ("Li-ion", 1, 3.3, early_knee),
    "LiFePO4": ("LiFePO4", 1, 2.8, lambda x, r: shepherd(x, r, 3.31, 0.0115, 0.13, 26, 0.02)),
}


def discharge(name: str, rng):
    """Hours to the cut-off, and hours, mV and degC of the readings down to it, one every two minutes."""
    _, cells, cut, shape = SETS[name]
    x = np.linspace(0, 1.0, 2000)
    volts = shape(x, rng)
    below = np.flatnonzero(volts <= cut)
    end = x[below[0]] if len(below) else 1.0
    total = rng.uniform(12, 40)
    t = np.arange(0, total, 1 / 30)
    temp = 20 - rng.uniform(2, 10) * np.minimum(t / 10, 1) + rng.normal(0, 0.2, len(t))
    wander = np.zeros(len(t))
    for i, step in enumerate(rng.normal(0, 0.6, len(t) - 1)):
        wander[i + 1] = 0.95 * wander[i] + step
    mv = cells * 1000 * np.interp(t / total * end, x, volts) + rng.normal(0, 1) * (temp - 20) + wander
    return total, t, np.round(mv + rng.normal(0, 3, len(t))), temp, float(cells * 1000 * np.interp(end, x, volts))


def trial(name: str, known: bool, at: float, seed: int):
    """(error of the value or NaN, whether what was said holds, "at least" as a share of the truth or NaN)."""
    total, t, mv, temp, cut = discharge(name, np.random.default_rng([seed, len(name)]))
    upto = t <= at * total
    chemistry, cells = SETS[name][:2] if known else ("", None)
    e = logger_supply(t[upto] * 3600, mv[upto], temp[upto], cut, chemistry, None, cells)["hours_left"]
    true = total - t[upto][-1]
    if "at_least_h" in e:
        return np.nan, e["at_least_h"] <= true, e["at_least_h"] / true
    return e["value"] / true - 1, e["lo"] <= true <= e["hi"], np.nan


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--at", type=float, nargs="*", default=[0.3, 0.6, 0.8, 0.9])
    parser.add_argument("--tuning", action="store_true")
    given = parser.parse_args()
    first = 0 if given.tuning else 10_000
    print(f"{given.trials} discharges a line, seeds from {first}\n")
    print("| discharge | chemistry | at | error: median of sizes, p90 % | bias, median % | holds | a figure "
          "| else at least, median share |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    for name in SETS:
        for known in (True, False):
            for at in given.at:
                error, held, least = np.array([trial(name, known, at, first + k) for k in range(given.trials)]).T
                told, other = np.isfinite(error), np.isfinite(least)
                size = 100 * np.abs(error[told])
                figures = f"{np.median(size):.0f}, {np.quantile(size, 0.9):.0f}" if told.any() else ""
                bias = f"{100 * np.median(error[told]):+.0f}" if told.any() else ""
                low = f"{np.median(least[other]):.2f}" if other.any() else ""
                print(f"| {name} | {'stated' if known else 'not stated'} | {at:.0%} | {figures} | {bias} "
                      f"| {held.mean():.2f} | {told.mean():.2f} | {low} |", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
