"""Scores the light pulse's durations on invented pulses of known truth, by shape, duration and noise.

    python tests/benchmarks/truth_pulse.py [--pulses 200] [--seed 10000] [--write DEVELOPERS.md]

Each pulse draws its duration (by 10 %), phase, baseline, peak (by 25 %) and how much too long the converter's long
codes are (0 to 9, all equal or each for itself).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.analysis.pulse import measure

from tests.marked import write_between
from tests.truth.pulses import MAKERS, long_codes, sample

MARKS = "truth pulse"
DURATIONS_US = (20, 40, 100, 400, 1000, 3000)
LIGHTS = ((2500, 0.5), (1500, 1.5), (600, 4.0))  # peak and noise, codes
FIGURES = ("t0.5 bias, us", "rms", "half width", "coverage", "t0.1 bias, us", "rms", "half width", "coverage")
COLUMNS = ("shape", "t0.1, us", "peak, noise", *FIGURES, "n")


def measured(shape: str, t01_us: float, light: tuple[float, float], pulses: int, seed: int) -> tuple[np.ndarray, int]:
    """(error of t0.5, its interval holds the truth, the same of t0.1, true t0.1: a row a good pulse; how many not)."""
    rng, rows = np.random.default_rng(seed), []
    for _ in range(pulses):
        true = MAKERS[shape](t01_us * rng.uniform(0.9, 1.1))
        peak = light[0] * rng.uniform(0.8, 1.25)
        found = measure(*sample(true, peak, light[1], rng, long_codes(rng)), 2000)
        if found.verdict == "good":
            cells = []
            for e, t in ((found.t05_us, true.t05), (found.t01_us, true.t01)):
                known = e["value"] is not None
                cells += [e["value"] - t, e["lo"] <= t <= e["hi"], (e["hi"] - e["lo"]) / 2] if known else [np.nan] * 3
            rows.append([*cells, true.t01])
    return np.array(rows, float).reshape(-1, 7), pulses - len(rows)


def score(shape: str, t01_us: float, light: tuple[float, float], pulses: int, seed: int) -> list[str]:
    """One row of the table."""
    found, _ = measured(shape, t01_us, light, pulses, seed)
    cells = [shape, f"{t01_us if not len(found) else found[:, 6].mean():.0f}", f"{light[0]}, {light[1]}"]
    for k in (0, 3):
        off, held, half = (found[:, k + i][np.isfinite(found[:, k])] for i in range(3))
        if not len(off):
            cells += ["refused"] * 4
            continue
        cells += [f"{off.mean():.2f}", f"{np.sqrt((off**2).mean()):.2f}", f"{half.mean():.2f}", f"{held.mean():.2f}"]
    return [*cells, str(len(found))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pulses", type=int, default=200)
    parser.add_argument("--seed", type=int, default=10_000, help="below 5000 to try changes, 10000 for the table")
    parser.add_argument("--write", type=Path)
    args = parser.parse_args()
    lines = [f"| {' | '.join(COLUMNS)} |", "|" + "---|" * len(COLUMNS)]
    for shape in MAKERS:
        for k, t01 in enumerate(DURATIONS_US):
            for j, light in enumerate(LIGHTS):
                row = score(shape, t01, light, args.pulses, args.seed + 10 * k + j)
                lines.append(f"| {' | '.join(row)} |")
                print(lines[-1], flush=True)
    if args.write:
        write_between(args.write, MARKS, lines)


if __name__ == "__main__":
    main()
