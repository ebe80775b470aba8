"""Measured powers written into a site file: the rows as meant, and not one other byte changed."""

import tomllib
from difflib import ndiff

import pytest
from duskgate import sitefile, sitesteps
from duskgate.errors import SiteFileError
from hypothesis import given, settings
from hypothesis import strategies as st

LEFT = {"head": "left", "power": 1 / 32, "t05_us": 60.0, "t01_us": 190.0, "recycle_s": None, "fires": 18}
FULL = {"head": "right", "power": 1.0, "t05_us": 900.0, "t01_us": 2900.0, "recycle_s": 4.5, "fires": 20}
OWN = """
[[power_steps]]  # by hand, last year
power = "1/32"
head = "left"
t05_us = 55   # with the old diode
# t01_us = 1
recycle_s = 0.4

[[power_steps]]
power = 0.5
t05_us = 400
"""


def removed(before: str, after: str) -> list[str]:
    return [line[2:] for line in ndiff(before.splitlines(True), after.splitlines(True)) if line.startswith("- ")]


def test_new_rows_are_added_and_nothing_else_changes():
    before = sitefile.template()
    after = sitesteps.with_steps(before, [LEFT, FULL])
    assert after.startswith(before) and removed(before, after) == []
    steps = sitefile.parse(after).power_steps
    assert [(s.head, s.power, s.t05_us, s.t01_us, s.recycle_s, s.fires) for s in steps] == [
        ("left", 1 / 32, 60.0, 190.0, None, 18), ("right", 1.0, 900.0, 2900.0, 4.5, 20),
    ]  # fmt: skip
    assert 'power = "1/32"' in after and sitesteps.with_steps(after, [LEFT, FULL]) == after


def test_a_row_of_the_same_head_and_power_is_replaced_and_its_remarks_stay():
    before = sitefile.template() + OWN
    after = sitesteps.with_steps(before, [FULL, LEFT])
    assert removed(before, after) == ["t05_us = 55   # with the old diode\n"]
    assert "t05_us = 60.0   # with the old diode\n# t01_us = 1\nrecycle_s = 0.4\nt01_us = 190.0\nfires = 18\n" in after
    steps = {(s.head, s.power): s for s in sitefile.parse(after).power_steps}
    assert set(steps) == {("left", 1 / 32), ("", 0.5), ("right", 1.0)}
    assert (steps["left", 1 / 32].recycle_s, steps["left", 1 / 32].t01_us) == (0.4, 190.0)


@pytest.mark.parametrize("end", ["", "\n", "\r\n"])
def test_files_of_other_editors_keep_their_ways(tmp_path, end):
    newline = "\r\n" if end == "\r\n" else "\n"
    text = f'name = "x"{newline}[[heads]]{newline}name = "left"{newline}power = 1{end}'
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert sitesteps.save_steps(path, [LEFT])
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf" + text.encode()) and (b"\n" in raw.replace(b"\r\n", b"")) == (end != "\r\n")
    assert sitefile.load(path).power_steps[0].t01_us == 190.0
    assert not sitesteps.save_steps(path, [LEFT]) and path.read_bytes() == raw


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('power_steps = [{power = 1, t05_us = 90}]\n[[heads]]\nname = "left"\n', "as a block"),
        ('[[heads]]\nname = "right"\n', "no head is called 'left'"),
    ],
)
def test_what_could_not_be_read_back_is_not_written(tmp_path, text, said):
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SiteFileError, match=said):
        sitesteps.save_steps(path, [LEFT])
    assert path.read_text(encoding="utf-8") == text


POWERS = st.sampled_from([1.0, 0.5, 1 / 3, 1 / 32, 0.3])
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "head": st.sampled_from(["left", "right", "back"]), "power": POWERS,
            "t05_us": st.floats(1, 900), "t01_us": st.floats(900, 9000), "fires": st.integers(1, 99),
            "recycle_s": st.none() | st.floats(0.1, 30),
        }
    ),
    max_size=6,
)  # fmt: skip


@settings(deadline=None)
@given(first=ROWS, second=ROWS, shape=st.sampled_from(["", OWN, "\n# end", "\n\n[passing_on]\n"]))
def test_any_rows_are_read_back_by_a_plain_reader(first, second, shape):
    """tomllib of the standard library is the reader from outside."""
    base = sitefile.template().replace("[passing_on]\n", "# ") if "passing_on" in shape else sitefile.template()
    text = sitesteps.with_steps(sitesteps.with_steps(base + shape, first), second)
    found = {}
    for one in tomllib.loads(text).get("power_steps", []):
        share = one["power"]
        share = float(share.split("/")[0]) / float(share.split("/")[1]) if isinstance(share, str) else share
        found[one.get("head", ""), round(share, 9)] = one
    for row in {(r["head"], round(r["power"], 9)): r for r in [*first, *second]}.values():
        got = found[row["head"], round(row["power"], 9)]
        assert got["t05_us"] == row["t05_us"] and got["fires"] == row["fires"]
        assert row["recycle_s"] is None or got["recycle_s"] == row["recycle_s"]
    assert sitesteps.with_steps(text, second) == text
