"""Sites whose visitor comes by day: days are whole, and the best window keeps to the day."""

import json

import pytest
from click.testing import CliRunner
from duskgate.cli import main

from tests import factories


def run(*words: object) -> dict:
    done = CliRunner().invoke(main, [*map(str, words), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


DAY_SITE = 'name = "border"\nzone = "Europe/Paris"\nlatitude_deg = 44.2\nlongitude_deg = 0.6\n'
BEGIN_S = 1_784_343_600  # 2026-07-18T03:00:00Z, five in the morning in France


def tick(seconds: float) -> int:
    return round(seconds * 1e9 / 72)


def day_log(day: int) -> bytes:
    """From five in the morning to nine in the evening: a visit every ten minutes, every five from 15:00 to 17:00."""
    hours = [k * 600.0 + 7 for k in range(96)] + [10 * 3600 + k * 600.0 + 307 for k in range(12)]
    rows = [(tick(k * 60.0), [factories.moment(tick(k * 60.0)), factories.value(0x50, BEGIN_S + day * 86_400 + k * 60)])
            for k in range(961)]  # fmt: skip
    for at in hours:
        rows += [(tick(at), [factories.edge(tick(at), 0x7E)]), (tick(at + 0.2), [factories.edge(tick(at + 0.2), 0x7F)])]
    records = [r for _, several in sorted(rows, key=lambda row: row[0]) for r in several]
    data = b"".join(factories.blocks([*factories.boot_statement(boot_no=day + 1), *records], boot_id=77 + day,
                                     boot_no=day + 1))  # fmt: skip
    return factories.dgl([(day + 1, 0, data)], pulled_utc_us=(BEGIN_S + day * 86_400 + 61_200) * 1_000_000)


@pytest.fixture
def days(tmp_path):
    folder = tmp_path / "logbook"
    folder.mkdir()
    for day in range(3):
        name = f"2026-07-{18 + day}_{factories.BOARD}_202607{18 + day}T200000Z.dgl"
        (folder / name).write_bytes(day_log(day))
    return folder


def test_days_of_a_day_visitor_are_not_parted_at_noon(days):
    (days / "site.toml").write_text(DAY_SITE + 'active = "day"\n')
    for day in range(3):
        facts = run("night", days, "--date", f"2026-07-{18 + day}")
        assert facts["numbers"]["visits"]["value"] == 108
        assert facts["exposure"]["live_s"] == pytest.approx(16 * 3600, rel=0.01)
        assert facts["best_window"]["span"] == "15:00 to 17:00"
        assert "before sunrise" in facts["best_window"]["note"] and facts["sky"]["text"].startswith("Sunrise 06:")
    told = run("season", days)
    assert [n["n"] for n in told["nights"]] == [108, 108, 108] and told["by"] == "clock"
    assert told["best_window"]["start_s"] == 15 * 3600 and "sunrise to sunset" in told["best_window"]["hours"]
    assert not any(line.startswith("Moon") for line in told["summary"])
    said = "\n".join(told["summary"])
    assert "3 days of sight" in said and "n = 3 days" in said and "\nDays     from " in said
    assert "leaving out any one day" in said and "night" not in said.lower()


def test_without_saying_so_a_day_is_two_halves_of_nights_and_the_window_says_what_was_searched(days):
    (days / "site.toml").write_text(DAY_SITE)
    facts = run("night", days, "--date", "2026-07-18")
    assert facts["night"]["span"] == "12:00 to 12:00" and facts["best_window"]["span"] == "05:00 to 07:00"
    note = facts["best_window"]["note"]
    assert "from 30 min before sunset" in note
    assert "of 108 visits came outside these hours: active in the site file says when" in note
