"""Cuts the power at every write of short histories, again while the board comes up, and counts what was lost.

    python tests/powercut/run.py [--cuts 20000] [--seed 1] [--jobs 2] [--rows FILE]

The store, recorder and settings of the firmware run under MicroPython on its own littlefs, on a flash that is stricter
than a real one (flash.py). `--cuts` is the least number of cut points, cuts while a cut is recovered from included.
Afterwards long histories by chance, and, as a row of their own, cells that read differently at every single read, which
littlefs does not guard against. Ends with code 1 where anything was lost, invented or refused in the first two.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.powercut import histories
from tests.powercut.board import Driver
from tests.powercut.flash import shapes_of

DEEP, LEVELS = 0.005, 3
WHOLE = 20_000  # cut points of all short histories, without those of their recoveries
FLICKER_SHARE = 0.15
Facts = dict[str, Any]


def requests(cuts: int, seed: int) -> list[Facts]:
    """All short histories as often as it takes for so many cuts; a share of their cuts where fewer are asked for."""
    rounds, share = max(1, -(-cuts // WHOLE)), min(1.0, cuts / WHOLE)
    return [
        {"name": name, "deep": DEEP, "levels": LEVELS, **request, "seed": seed + number,
         "share": share * request.get("share", 1)}
        for number in range(rounds)
        for name, request in histories.short().items()
    ]  # fmt: skip


def chains(count: int, seed: int) -> list[Facts]:
    """Long lives with cuts here and there that are never taken back."""
    found = []
    for number in range(count):
        rng = random.Random(seed + number)
        cuts = [[rng.choice((3, 20, 60, 200, 600)) + rng.randrange(40), rng.randrange(100)] for _ in range(25)]
        history = histories.by_chance(seed + number, 60)
        found.append({"history": history, "cuts": cuts, "seed": seed + number, "sectors": rng.choice((40, 64, 352))})
    return found


def ask_all(requests: list[Facts], jobs: int) -> list[Facts]:
    """Their answers, worked out in `jobs` processes."""
    waiting, answers = list(requests), []

    def work() -> None:
        with Driver() as driver:
            while waiting:
                answers.append(driver.ask(waiting.pop(0)))

    with ThreadPoolExecutor(jobs) as pool:
        for done in [pool.submit(work) for _ in range(jobs)]:
            done.result()
    return answers


def total(answers: list[Facts]) -> Facts:
    """One sum of many answers."""
    out: Facts = {"levels": [0] * 8, "shapes": {}, "bad": {}, "shown": [], "tail": 0, "over_weak": 0, "commits": 0}
    for answer in answers:
        out["levels"] = [a + b for a, b in zip(out["levels"], answer["levels"], strict=True)]
        for key in ("shapes", "bad"):
            for name, n in answer[key].items():
                out[key][name] = out[key].get(name, 0) + n
        out["shown"] += answer["shown"]
        out["tail"] = max(out["tail"], answer["tail"])
        for key in ("over_weak", "commits"):
            out[key] += answer[key]
    return out


def show(title: str, facts: Facts, seconds: float) -> None:
    levels, bad = facts["levels"], facts["bad"]
    print(f"{title} ({seconds:.0f} s)")
    print(f"  cut points                 {sum(levels):,}")
    print(f"  of these re-cuts           {sum(levels[2:]):,} ({', '.join(f'{n:,}' for n in levels[2:] if n)} by level)")
    print(f"  commits looked for         {facts['commits']:,}")
    print(f"  committed records lost     {bad['lost']:,} (commits)")
    print(f"  records invented           {bad['invented']:,} (commits)")
    print(f"  settings, marks or firmware neither old nor new  {bad['changed']:,}")
    print(f"  boots refused              {bad['refused']:,}")
    print(f"  rules of the flash broken  {bad['misuse']:,}")
    print(f"  weak bytes in pages programmed as erased ones  {facts['over_weak']:,}")
    print(f"  longest tail lost          {facts['tail']:,} records, not committed")
    for text in facts["shown"][:5]:
        print(f"  ! {text}")


def shapes(facts: Facts) -> str:
    names = [f"{what} {shape}" for what in ("program", "erase") for shape in shapes_of(what)]
    return ", ".join(f"{name} {facts['shapes'].get(name, 0):,}" for name in names)


def row(what: str, facts: Facts, unit: str, note: str, command: str) -> Facts:
    bad = sum(facts["bad"].values())
    return {
        "what": what, "tried": sum(facts["levels"]), "unit": unit, "lost": bad, "note": note, "command": command,
    }  # fmt: skip


def timed(*arguments: Any) -> tuple[Facts, float]:
    start = time.monotonic()
    return total(ask_all(*arguments)), time.monotonic() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cuts", type=int, default=WHOLE)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rows", type=Path)
    given = parser.parse_args()
    command = f"python tests/powercut/run.py --cuts {given.cuts}"
    plan = requests(given.cuts, given.seed)
    tree, tree_s = timed(plan, given.jobs)
    show("Every write of short histories", tree, tree_s)
    print("  " + shapes(tree))
    chain, chain_s = timed(chains(max(4, given.cuts // 200), given.seed), given.jobs)
    show("Long histories by chance, one cut after the other", chain, chain_s)
    unsteady = [
        {**request, "flicker": True, "deep": 0, "share": FLICKER_SHARE * request["share"]}
        for request in plan[: len(histories.short())]
    ]
    flicker, flicker_s = timed(unsteady, given.jobs)
    show("The first again, with weak cells that read differently at every read", flicker, flicker_s)
    if given.rows:
        levels = tree["levels"]
        note = f"{sum(levels[2:]):,} of them while the board recovers; at most {tree['tail']} records not yet committed"
        found = [
            row("power cut at every write of the store", tree, "cuts", note, command),
            row("long histories with power cuts", chain, "cuts", "the cuts of one life follow one another", command),
            row("the same, cells that read differently at every read", flicker, "cuts",
                "littlefs does not guard against these; not part of the promise", command),
        ]  # fmt: skip
        with given.rows.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(line) + "\n" for line in found)
    sys.exit(any(tree["bad"].values()) or any(chain["bad"].values()))


if __name__ == "__main__":
    main()
