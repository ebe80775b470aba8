"""Logs that were spoiled and yet accepted go on through clock, analysis, facts and page: nothing breaks there."""

import json
import random
import sys
import zlib
from pathlib import Path

from duskgate import sitefile
from duskgate.errors import DuskgateError
from duskgate.report.open_night import open_night
from duskgate.report.page import night_page
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests import factories as make
from tests.nothing_lost import mutations as mutate
from tests.nothing_lost.readers import SHARED, one_line, readers

INPUTS = 60
CALM = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
STEADY = settings(deadline=None, derandomize=True, database=None, suppress_health_check=CALM, max_examples=INPUTS)


def whole(path: Path, page: bool) -> bool:
    """One night from the file to the page. True where it was shown, False where it was refused in one line."""
    try:
        opened = open_night(path)
    except DuskgateError as error:
        one_line(error)
        return False
    json.dumps(opened.facts, allow_nan=False).encode()
    if page:
        night_page(opened.facts, opened.tables).encode("utf-8")
    return True


def fed(tmp_path: Path, name: str, data: bytes, page: bool = True) -> bool:
    path = tmp_path / name
    path.write_bytes(data)
    return whole(path, page)


@STEADY
@given(st.integers(0, 2**32))
def test_spoiled_logs_are_shown_or_refused(tmp_path, seed):
    rng = random.Random(seed)
    data = mutate.log_mutate(rng, rng.choice((mutate.small_log(), mutate.log_file())))
    fed(tmp_path, "a.dgl", data, page=seed % 4 == 0)


@settings(STEADY, max_examples=INPUTS // 2)
@given(st.integers(0, 2**32))
def test_spoiled_captures_are_shown_or_refused(tmp_path, seed):
    rng, room = random.Random(seed), readers()
    for name, data, spoil in (("edges.csv", mutate.EDGES, mutate.csv_mutate), ("a.vcd", mutate.VCD, mutate.spoil)):
        fed(tmp_path, name, spoil(rng, data) if rng.random() < 0.8 else data, page=seed % 4 == 0)
    (tmp_path / "readings.csv").write_bytes(room["readings"].mutate(rng, mutate.READINGS))
    (tmp_path / "site.toml").write_bytes(mutate.spoil(rng, mutate.site_text()))


def under_header(header: dict, body: bytes) -> bytes:
    """A log file with any header, of which the checks are right."""
    said = {"duskgate_log": 1, "board": make.BOARD, "host_clock": [], "pulled_utc_us": 1, **header}
    text = json.dumps(said).encode()
    return b"\xd6DG\x1a" + len(text).to_bytes(4, "little") + zlib.crc32(text).to_bytes(4, "little") + text + body


def clocked(seconds: list[int], **statement) -> bytes:
    """Boots with the given clock seconds."""
    out = b""
    for i, second in enumerate(seconds, 1):
        records = [*make.boot_statement(boot_no=i, **statement), make.edge(9000, 0x7E), make.edge(99_000, 0x7F)]
        records += [make.moment(14_000_000), make.value(0x50, second), make.value(0x58, (1 << 48) - 1)]
        out += b"".join(make.blocks([*records, make.edge((1 << 48) - 1, 0x7E)], 60, boot_id=i, boot_no=i))
    return out


def test_times_beyond_every_calendar(tmp_path):
    """Clock seconds of any size, ticks of 48 bits, the host's clock of any size and type."""
    for seconds in ([(1 << 48) - 1], [0, (1 << 48) - 1], [253_402_300_799], [1_781_000_000, 253_402_300_800]):
        fed(tmp_path, "a.dgl", clocked(seconds))
        fed(tmp_path, "a.dgl", clocked(seconds, cycles=10**4, clock=10**9))
    for utc in (-1, 0, 10**15, 10**18, 10**30, -(10**30), 1e308, "x", None, True, [1]):
        for unc in (0, 1e308):
            host = [{"boot_id": 1, "tick": 14_000_000, "utc_us": utc, "unc_us": unc}, {"boot_id": [], "tick": {}}, 5]
            data = under_header({"host_clock": host, "pulled_utc_us": utc}, clocked([1_781_000_000]))
            fed(tmp_path, "a.dgl", data, page=False)


def test_header_fields_of_any_type(tmp_path):
    """Every field of a log's header in turn is something else; surrogates and scripts end as text."""
    text = "\ud800<script>\n"
    odd = (None, -1, 10**30, 1e308, text, {"a": {}}, [None, 5, [], {"segment": "x"}])
    data = mutate.small_log()[:1000]
    for key in ("duskgate_log", "board", "tool", "pulled_utc_us", "who", "state", "host_clock", "pieces", "sha256"):
        for value in odd:
            shown = under_header({key: value}, data)
            fed(tmp_path, "a.dgl", shown, page=value == text and key in ("board", "state", "store"))
    for key in ("store", "store_lost", "ring_lost", "fifo_drops", "clock_state", "supply_mv", "faults"):
        for value in odd:
            state = {"store": "full", "store_lost": 1, "clock_state": 0, "faults": [3], key: value}
            header = {"state": state, "pulled_utc_us": 1_781_010_000_000_000}
            shown = under_header(header, data)
            fed(tmp_path, "a.dgl", shown, page=value == text and key in ("board", "state", "store"))


def test_absurd_but_allowed_sites(tmp_path):
    """Every number of a site file at its least and at its greatest."""
    from dataclasses import fields

    data = mutate.log_file()
    for edge in ("low", "high"):
        lines, blocks = [], {"": sitefile.Site, **sitefile.SECTIONS}
        for block, kind in blocks.items():
            lines += [f"[{block}]"] if block else []
            for f in fields(kind):
                if f.metadata.get("kind") in ("number", "whole"):
                    lines.append(f"{f.name} = {f.metadata[edge]}")
        (tmp_path / "site.toml").write_text("\n".join(lines), encoding="utf-8")
        assert fed(tmp_path, "a.dgl", data)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory(dir=SHARED) as folder:
        shown = 0
        for number in range(int(sys.argv[1])):
            rng = random.Random(number)
            spoiled = mutate.log_mutate(rng, rng.choice((mutate.small_log(), mutate.log_file())))
            shown += fed(Path(folder), "a.dgl", spoiled, page=number % 10 == 0)
        print(f"{number + 1} spoiled logs, {shown} shown")
