"""Scores the light pulse's durations on invented pulses of known truth, by shape, duration and noise.

    python tests/benchmarks/truth_pulse.py [--pulses 200] [--write DEVELOPERS.md]

Each pulse draws its phase, baseline, peak (by 25 %) and how much too long the converter's long codes are (0 to 9).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.analysis.pulse import measure

from tests.marked import write_between
from tests.truth.pulses import MAKERS, sample

MARKS = "truth pulse"
DURATIONS_US = (20, 40, 100, 400, 1000, 3000)
LIGHTS = ((2500, 0.5), (1500, 1.5), (600, 4.0))  # peak and noise, codes
FIGURES = ("t0.5 bias, us", "rms", "coverage", "t0.1 bias, us", "rms", "coverage")
COLUMNS = ("shape", "t0.1, us", "peak, noise", *FIGURES, "n")


def score(shape: str, t01_us: float, peak: float, noise: float, pulses: int, seed: int) -> list[str]:
    """One row of the table."""
    rng, true = np.random.default_rng(seed), MAKERS[shape](t01_us)
    rows = []
    for _ in range(pulses):
        found = measure(*sample(true, peak * rng.uniform(0.8, 1.25), noise, rng, rng.uniform(0, 9)), 2000)
        if found.verdict == "good":
            pairs = ((found.t05_us, true.t05), (found.t01_us, true.t01))
            rows.append([v for e, t in pairs for v in (e["value"] - t, e["lo"] <= t <= e["hi"])])
    if not rows:
        return [shape, f"{true.t01:.0f}", f"{peak}, {noise}", *["refused"] * 6, "0"]
    off = np.array(rows, float)
    cells = [shape, f"{true.t01:.0f}", f"{peak}, {noise}"]
    for k in (0, 2):
        cells += [f"{off[:, k].mean():.2f}", f"{np.sqrt((off[:, k] ** 2).mean()):.2f}", f"{off[:, k + 1].mean():.2f}"]
    return [*cells, str(len(rows))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pulses", type=int, default=200)
    parser.add_argument("--write", type=Path)
    args = parser.parse_args()
    lines = [f"| {' | '.join(COLUMNS)} |", "|" + "---|" * len(COLUMNS)]
    for shape in MAKERS:
        for k, t01 in enumerate(DURATIONS_US):
            for j, (peak, noise) in enumerate(LIGHTS):
                row = score(shape, t01, peak, noise, args.pulses, 10_000 + 10 * k + j)
                lines.append(f"| {' | '.join(row)} |")
                print(lines[-1], flush=True)
    if args.write:
        write_between(args.write, MARKS, lines)


if __name__ == "__main__":
    main()
