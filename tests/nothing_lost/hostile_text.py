"""Text that tries to be more than text, through the terminal, the page, its figures and CSV, with counts.

    python tests/nothing_lost/hostile_text.py [--quick] [--seed 1] [--rows FILE]

Ends with code 1 where a sign is left that a terminal obeys, an element or attribute arose on the page, or a cell that
a spreadsheet would run, or text does not read back.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import sys
import tempfile
from contextlib import redirect_stdout
from html.parser import HTMLParser
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from duskgate.cli.say import say, say_json
from duskgate.report.facts import night_facts
from duskgate.report.page import night_page
from duskgate.report.whole_page import json_for_script, packed
from duskgate.tables import RISKY, neutral, read_table, write_tables

from tests.host.sample_night import LOG, SITE, problems, sample_night, sample_sky
from tests.hostile_text import ALL, obeyed
from tests.nothing_lost import rows


def texts(count: int, rng: random.Random) -> list[str]:
    """Pieces of known tricks and of any signs, joined at random."""

    def piece() -> str:
        if rng.random() < 0.6:
            return rng.choice(ALL)
        signs = chr(rng.choice((rng.randrange(0x300), rng.randrange(0xD800), rng.randrange(0xE000, 0x110000))))
        return signs * rng.randint(1, 3)

    return ["".join(piece() for _ in range(rng.randint(1, 4))) for _ in range(count)]


def terminal(said: list[str]) -> int:
    """How many came through as more than one plain line, or did not read back from JSON."""
    wrong = 0
    for text in said:
        with redirect_stdout(io.StringIO()) as out:
            say(text)
        line = out.getvalue()
        with redirect_stdout(io.StringIO()) as answer:
            say_json(text)
        wrong += line.count("\n") != 1 or bool(obeyed(line[:-1])) or json.loads(answer.getvalue()) != text
    return wrong


class Shape(HTMLParser):
    """Elements with the names of their attributes, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.found.append((tag, *(name for name, _ in attrs)))


def shape(fill: str) -> list[tuple]:
    """Shape of the page whose every text from outside is `fill`; raises ValueError where hidden signs are left."""
    night = sample_night(20)
    for table, column in (("notes", "text"), ("gaps", "detail"), ("boots", "firmware"), ("boots", "interpreter")):
        night.tables[table][column] = fill
    night.tables["breaks"]["reason"] = fill
    bad = problems(1)
    bad["file"], bad["what"] = fill, fill
    site = type(SITE)(**{**vars(SITE), "name": fill})
    facts = night_facts(night, site, sample_sky(), LOG | {"problems": bad, "files": [fill]})
    facts["site"]["name"] = facts["limits"][0] = facts["cautions"][0]["text"] = fill  # past the first cleaning
    page = night_page(facts, night.tables)
    own = page[: page.index("<script>")]
    if any(obeyed(line) for line in own.split("\n")):
        raise ValueError("hidden signs on the page")
    reader = Shape()
    reader.feed(page)
    return reader.found


def pages(said: list[str]) -> int:
    """How many changed the elements or attributes of the page, or left hidden signs on it."""
    plain = shape("plain text")
    wrong = 0
    for text in said:
        try:
            wrong += shape(f"x{text}") != plain
        except ValueError:
            wrong += 1
    return wrong


def scripts(said: list[str]) -> int:
    """How many could leave the script element that holds them as JSON, or do not read back."""
    wrong = 0
    for text in said:
        code = json_for_script(packed({"text": text}))
        wrong += bool(set("<>&\u2028\u2029") & set(code)) or json.loads(code) != packed({"text": text})
    return wrong


def cells(said: list[str]) -> int:
    """How many CSV cells a spreadsheet would run, or do not read back."""
    night = sample_night(20)
    wrong = sum(str(neutral(text)).startswith(RISKY) for text in said)
    notes = night.tables["notes"].iloc[[0] * len(said)].reset_index(drop=True)
    notes["text"] = said
    with tempfile.TemporaryDirectory() as top:
        (path,) = write_tables({"notes": notes}, Path(top))
        back = read_table(path)["text"].tolist()
    return wrong + sum(a != b for a, b in zip(back, said, strict=True))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small counts")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="append a JSON line for each part to this file")
    given = parser.parse_args()
    many, few = (500, 5) if given.quick else (50_000, 200)
    said = texts(many, random.Random(given.seed))
    command = f"python tests/nothing_lost/hostile_text.py{' --quick' if given.quick else ''} --seed {given.seed}"
    found = [
        ("hostile text on the terminal and as JSON", many, terminal(said)),
        ("hostile text in the page's script data", many, scripts(said)),
        ("hostile text in CSV tables", many, cells(said)),
        ("hostile text in every place of the page", few, pages(said[:few])),
    ]
    for what, tried, lost in found:
        print(f"{what}: {tried} texts, {lost} wrong")
        rows.keep(given.rows, [rows.row(what, tried, "texts", lost, "", command)])
    return 1 if any(lost for *_, lost in found) else 0


if __name__ == "__main__":
    sys.exit(main())
