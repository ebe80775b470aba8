"""Scores the analysis on invented nights of known truth and prints what it reached beside what it must reach.

    python tests/benchmarks/truth_table.py [--nights 40] [--kinds calm busy ...] [--tuning] [--write DEVELOPERS.md]

Seeds from 10,000 on are those to report; `--tuning` takes seeds from 0 on instead, which may be used while thresholds
or methods are chosen; `--first-seed` takes fresh ones, for a choice that a reported figure may have influenced. A
figure comes with its number of trials.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks import truth_forecasts, truth_keepers, truth_rates
from tests.marked import write_between
from tests.truth.kinds import PLANS
from tests.truth.night import NAMES, make
from tests.truth.score import run

REPORTED_FROM = 10_000
MARKS = "truth table"
EMPTY_NIGHTS = 250  # a rare false visit needs more nights to show than a common error does
F1_TARGET = {"calm": 0.98, "failing": 0.98, "busy": 0.97, "misaligned": 0.97, "rain": 0.95, "daytime": 0.95}


def scores(kind: str, nights: int, first_seed: int) -> list[dict]:
    return [run(make(kind, first_seed + k))[0] for k in range(nights)]


def total(rows: list[dict], key: str) -> float:
    return float(sum(r.get(key, 0) for r in rows))


def values(rows: list[dict], prefix: str) -> np.ndarray:
    found = [v for r in rows for k, v in r.items() if k.startswith(prefix + ":")]
    return np.array(found, float)[np.isfinite(np.array(found, float))] if found else np.zeros(0)


def ratio(a: float, b: float) -> float:
    return a / b if b else float("nan")


def visit_lines(kind: str, rows: list[dict]) -> list[tuple]:
    tp, found, true = (total(rows, k) for k in ("visit_tp", "visit_found", "visit_true"))
    if kind == "empty":
        return [("1c", "false visits a night", found / len(rows), "<= 0.5", len(rows))]
    limit = 4 if kind == "daytime" else 3
    lines = [("1a", "visit F1", ratio(2 * tp, found + true), f">= {F1_TARGET.get(kind, 0.95)}", int(true))]
    if kind in ("rain", "misaligned"):
        bias = 100 * (total(rows, "corrected") / total(rows, "visit_all") - 1)
        lines.append(("1b", "visit count after exposure, bias %", bias, f"within {limit}", len(rows)))
    else:
        lines.append(("1b", "visit count, bias %", 100 * (found / true - 1), f"within {limit}", len(rows)))
    return lines


def kind_lines(rows: list[dict]) -> list[tuple]:
    lines = []
    target = {"insect": (0.95, 0.92), "leaf": (0.75, 0.90)}
    for name in NAMES:
        true, found, tp = (total(rows, f"kind_{what}:{name}") for what in ("true", "found", "tp"))
        if true >= 30:
            p, r = target.get(name, (0.96, 0.96))
            lines.append(("2", f"{name} precision", ratio(tp, found), f">= {p}", int(found)))
            lines.append(("2", f"{name} recall", ratio(tp, true), f">= {r}", int(true)))
    lines.append(("2c", "verdict right", np.mean([r["verdict_ok"] for r in rows]), ">= 0.95", len(rows)))
    if total(rows, "dark_true"):
        bias = 100 * (total(rows, "dark_found") / total(rows, "dark_true") - 1)
        lines.append(("2d", "dark time, bias %", bias, "within 5", len(rows)))
    return lines


def flash_lines(kind: str, rows: list[dict]) -> list[tuple]:
    pair = 0.995 if kind == "misaligned" else 0.999
    lines = [
        (
            "3a",
            "pairs right",
            ratio(total(rows, "pair_right"), total(rows, "pair_n")),
            f">= {pair}",
            int(total(rows, "pair_n")),
        ),
        (
            "3d",
            "interference precision",
            ratio(total(rows, "stranger_tp"), total(rows, "stranger_found")),
            f">= {0.65 if kind == 'misaligned' else 0.98}",
            int(total(rows, "stranger_found")),
        ),
        (
            "3d",
            "interference recall",
            ratio(total(rows, "stranger_tp"), total(rows, "stranger_true")),
            ">= 0.98",
            int(total(rows, "stranger_true")),
        ),
    ]
    for which, limit in (("median", 5), ("p95", 20)):
        bias, cover = values(rows, f"{which}_bias"), values(rows, f"{which}_cover")
        if len(bias):
            lines.append(("3b", f"{which} against true pairs, mean us", bias.mean(), f"within {limit}", len(bias)))
            lines.append(("3c", f"{which} coverage", cover.mean(), "0.93 - 0.98", len(cover)))
    skew = np.array([v for r in rows for k, v in r.items() if k.startswith("skew:")])
    if len(skew):
        lines.append(("3e", "skew, rms us", float(np.sqrt((skew**2).mean())), "<= 5 (busy)", len(skew)))
    return lines


def recycle_lines(kind: str, rows: list[dict]) -> list[tuple]:
    lines = []
    limit = 5 if kind in ("failing", "knee", "calm", "daytime") else 2
    for where in ("start", "mid", "end"):
        error = 100 * values(rows, f"r50_{where}")
        if len(error):
            lines.append(("4ab", f"R50 {where}, rms %", float(np.sqrt((error**2).mean())), f"<= {limit}", len(error)))
            lines.append(("4ab", f"R50 {where}, bias %", float(error.mean()), "", len(error)))
    for where in ("start", "end"):
        cover = values(rows, f"r50_{where}_cover")
        if len(cover):
            lines.append(("4c", f"R50 {where} coverage", cover.mean(), "0.92 - 0.97 (constant)", len(cover)))
    group = 100 * values(rows, "r50_group")
    if len(group):
        lines.append(("4ab", "R50 of heads seen together, rms %", float(np.sqrt((group**2).mean())), "", len(group)))
        cover = values(rows, "r50_group_cover")
        lines.append(("4c", "R50 of heads seen together, coverage", cover.mean(), "", len(cover)))
    error = 100 * values(rows, "r95")
    if len(error):
        lines.append(("", "R95 end, rms %", float(np.sqrt((error**2).mean())), "", len(error)))
    for name, (p, r) in {
        "recharge": (0.99, 0.99),
        "radio": (0.90, 0.80),
        "battery": (0.90, 0.90),
        "camera": (0, 0),
    }.items():
        tp, found, true = (total(rows, f"{name}_{what}") for what in ("tp", "found", "true"))
        if true >= 20:
            lines.append(("4e", f"cause {name} precision", ratio(tp, found), f">= {p}" if p else "", int(found)))
            lines.append(("4e", f"cause {name} recall", ratio(tp, true), f">= {r}" if r else "", int(true)))
    best, true = total(rows, "best_tp"), total(rows, "radio_true")
    if true >= 20:
        lines.append(("4e", "radio, best with the true law: recall", ratio(best, true), "", int(true)))
        lines.append(
            ("4e", "radio, best with the true law: prec.", ratio(best, total(rows, "best_found")), "", int(true))
        )
    return lines


def show(title: str, lines: list[tuple]) -> list[tuple]:
    if lines:
        print(f"\n{title}")
    for row, what, value, target, n in lines:
        print(f"  {row:4} {what:48} {value:10.4f}   {target:24} n {n}", flush=True)
    return lines


def number(value: float) -> str:
    return f"{value:.3g}" if abs(value) >= 1 else f"{value:.3f}".replace("0.", ".", 1)


def table_of_kinds(by_kind: dict[str, list[tuple]]) -> list[str]:
    """Markdown: a row for each figure, a column for each kind of night, `value (n)` in the cells."""
    rows: dict[tuple, dict[str, str]] = {}
    for kind, lines in by_kind.items():
        for row, what, value, target, n in lines:
            key = (row, what, "" if row == "1a" or what.startswith("R50") else target)
            rows.setdefault(key, {})[kind] = f"{number(value)} ({n})" if np.isfinite(value) else ""
    text = ["| row | figure | target | " + " | ".join(by_kind) + " |", "|---|---|---|" + "---|" * len(by_kind)]
    for (row, what, target), cells in sorted(rows.items(), key=lambda item: item[0][0] or "9"):
        text.append(f"| {row} | {what} | {target} | " + " | ".join(cells.get(kind, "") for kind in by_kind) + " |")
    return text


def table_of_lines(lines: list[tuple]) -> list[str]:
    text = ["| row | figure | value | target | n |", "|---|---|---|---|---|"]
    return text + [f"| {row} | {what} | {number(value)} | {target} | {n} |" for row, what, value, target, n in lines]


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--nights", type=int, default=40)
    parser.add_argument("--kinds", nargs="*", default=list(PLANS))
    parser.add_argument("--tuning", action="store_true")
    parser.add_argument("--first-seed", type=int, default=REPORTED_FROM)
    parser.add_argument("--rates", type=int, default=100, help="trials of rates over nights; 0 leaves them out")
    parser.add_argument("--forecasts", type=int, default=30, help="trials of each forecast; 0 leaves them out")
    parser.add_argument("--keepers", type=int, default=30, help="nights a kind for keepers; 0 leaves them out")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="kinds of night scored at once")
    parser.add_argument("--write", type=Path, help="page that gets the tables between its marks")
    return parser.parse_args()


def main() -> None:
    given = arguments()
    first = 0 if given.tuning else given.first_seed
    said = f"{given.nights} nights a kind (empty: at least {EMPTY_NIGHTS}), seeds from {first}"
    print(said)
    everything: list[dict] = []
    by_kind: dict[str, list[tuple]] = {}
    counts = [EMPTY_NIGHTS if kind == "empty" and not given.tuning else 0 for kind in given.kinds]
    counts = [max(given.nights, least) for least in counts]
    with ProcessPoolExecutor(given.jobs) as pool:
        for kind, rows in zip(given.kinds, pool.map(scores, given.kinds, counts, repeat(first)), strict=True):
            everything += rows
            lines = visit_lines(kind, rows) + kind_lines(rows) + flash_lines(kind, rows) + recycle_lines(kind, rows)
            by_kind[kind] = show(kind, lines)
    by_kind["all"] = show("all kinds together", kind_lines(everything) if everything else [])
    rest = show("rates", truth_rates.lines(given.rates, first) if given.rates else [])
    rest += show("forecasts", truth_forecasts.lines(given.forecasts, first) if given.forecasts else [])
    rest += show("keepers", truth_keepers.lines(given.keepers, first, given.jobs) if given.keepers else [])
    if given.write:
        head = f"{said}; {given.rates} trials of rates, {given.forecasts} of each forecast, {given.keepers} nights a "
        head += "kind for keepers. A cell is `value (n)`."
        write_between(given.write, MARKS, [head, "", *table_of_kinds(by_kind), "", *table_of_lines(rest)])


if __name__ == "__main__":
    main()
