"""Short histories of a board for which every cut is tried, and long ones by chance. Steps are those of life.Board."""

from __future__ import annotations

import random
from typing import Any

from duskgate.link import pack

Step = list
FULL = 480  # records of a commit of the usual greatest size
FILL = [["commit", FULL]] * 8  # one segment


def load_of(version: int) -> list[Any]:
    """A firmware load in the way of `duskgate load`, not compressed: pack's name, pack, finisher, files."""
    files = {
        "main.py": f"# main {version}\n" * 40,
        "core/a.py": f"A = {version}\n" * 900,
        "chip/b.py": f"B = {version}\n" * 20,
    }
    packed = pack.make({name: text.encode() for name, text in files.items()}, inflates=False)
    name = pack.name_of(packed)
    finisher = pack.finisher(name, ["chip/old.py"], inflates=False)
    return [name, packed.decode(), finisher.decode(), files]


def short() -> dict[str, dict[str, Any]]:
    """Name -> request without a seed: every kind of write in a few steps."""
    many = [step for _ in range(70) for step in (["commit", 3], ["end_segment"])]
    return {
        "first start": {"history": [["commit", 5], ["boot"], ["boot"], ["commit", 300]]},
        "commits of all sizes": {"history": [["commit", n] for n in (1, 2, 25, 60, 130, 300, FULL, 7, FULL, FULL)]},
        "new segments": {"history": [*FILL, ["commit", FULL], ["commit", 90]], "from": 7},
        "marks": {
            "history": [["commit", 20], ["end_segment"], ["commit", 40], ["end_segment"], ["commit", 60],
                        ["mark", 0], ["commit", 10], ["mark", 0], ["boot"], ["commit", 5]],
        },
        "drops": {"history": [*FILL * 2, ["mark", 0], *FILL, ["mark", 0], *FILL], "from": 18},
        "drops of what was not pulled": {
            "history": [["set", "drop_unpulled", 1], *FILL * 3, *FILL], "from": 24,
        },
        "full and kept": {
            "history": [*FILL * 3, ["commit", FULL], ["commit", 9], ["mark", 1], ["commit", 70], ["commit", FULL]],
            "from": 23, "fills": True,
        },
        "settings": {
            "history": [["set", "commit_s", 3], ["commit", 20], ["set", "commit_s", 20], ["set", "chatter_limit", 0],
                        ["boot"], ["set", "low_mask", 5], ["commit", 11]],
        },
        "orderly stops": {
            "history": [["commit", 30], ["stop"], ["boot"], ["commit", FULL], ["stop"], ["boot"], ["stop"]],
        },
        "loads": {"history": [["load", 1], ["commit", 30], ["load", 2], ["boot"], ["commit", 8]]},
        "seventy segments": {
            "history": [*many, ["mark", 0], ["mark", 30], ["mark", 60], ["commit", 50], ["boot"], ["commit", 9]],
            "from": 139, "sectors": 160, "share": 0.15, "deep": 0,
        },
    }  # fmt: skip


def by_chance(seed: int, steps: int) -> list[Step]:
    """A history of that many steps."""
    rng = random.Random(seed)
    kinds = ["commit"] * 12 + ["mark"] * 3 + ["set", "set", "boot", "stop", "end_segment", "load"]
    found: list[Step] = []
    for _ in range(steps):
        kind = rng.choice(kinds)
        if kind == "commit":
            found.append([kind, rng.choice((1, 3, 20, 61, 62, 63, 120, 250, FULL, FULL))])
        elif kind == "mark":
            found.append([kind, rng.randrange(4)])
        elif kind == "set":
            found.append([kind, *rng.choice((("commit_s", 5), ("commit_s", 9), ("drop_unpulled", 0), ("low_mask", 3)))])
        elif kind == "load":
            found.append([kind, rng.choice((1, 2))])
        elif kind == "stop":
            found += [[kind], ["boot"]]
        else:
            found.append([kind])
    return found
