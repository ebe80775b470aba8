"""The README's table of lamp rhythms says what the firmware does."""

import re
import sys
import types
from pathlib import Path

README = Path(__file__).resolve().parents[2] / "README.md"


def test_the_readme_tells_every_rhythm(monkeypatch):
    monkeypatch.setitem(sys.modules, "machine", types.SimpleNamespace(Pin=None))
    monkeypatch.delitem(sys.modules, "chip.lamp", raising=False)
    from chip.lamp import PATTERNS

    text = README.read_text(encoding="utf-8").split("**The lamp**")[1].split("**The button**")[0]
    rows = [line for line in text.splitlines() if line.startswith("| ") and "rhythm" not in line]
    told = {float(found[1]) * 1000: row for row in rows if (found := re.search(r"every ([0-9.]+) s", row))}
    assert set(told) == {float(pattern[0]) for pattern in PATTERNS.values()}
    for name, pattern in PATTERNS.items():
        row, blinks = told[float(pattern[0])], pattern[1:]
        longest = max(end - begin for begin, end in blinks)
        said = "long" if longest >= 500 else {1: "one short", 2: "two short"}[len(blinks)]
        assert said in row, (name, row)
    assert len({tuple(p) for p in PATTERNS.values()}) == len(told)
    sys.modules.pop("chip.lamp", None)
