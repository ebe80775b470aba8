"""`duskgate delay`: logs in; lines, JSON and exit codes out."""

import json

import pytest
from click.testing import CliRunner
from duskgate.cli import main

from tests import factories
from tests.cli.season_books import book, date_of, log_name
from tests.factories import flip


def run(*words: object, code: int = 0):
    done = CliRunner().invoke(main, ["delay", *map(str, words)])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture(scope="module")
def logbook(tmp_path_factory):
    return book(tmp_path_factory.mktemp("delay") / "logbook", (0, 1))


def dark_capture(folder):
    """A beam without any light sensor, and no time of day."""
    rows = ["boot,t_us,channel,level"]
    for k in range(40):
        rows += [f"0,{k * 5e6 + 1000:.3f},BEAM,1", f"0,{k * 5e6 + 90_000:.3f},BEAM,0"]
    path = folder / "edges.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def lit_capture(folder):
    """The same with one head 4 ms after each break, give or take some us."""
    rows = ["boot,t_us,channel,level"]
    for k in range(60):
        at = k * 5_000_000 + 1000
        light = at + 4000 + (k * 37) % 50
        rows += [f"0,{at},BEAM,1", f"0,{light},FLASH1,1", f"0,{light + 200},FLASH1,0", f"0,{at + 90_000},BEAM,0"]
    path = folder / "edges.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def test_lines_and_json_say_the_same(logbook):
    lines = run(logbook).stdout.splitlines()
    facts = json.loads(run(logbook, "--json").stdout)
    assert lines == facts["summary"] and facts["facts_version"] == 1 and 10 <= len(lines) <= 20
    names = [line[:9].strip() for line in lines if not line.startswith(" ")]
    assert names == ["Rig", "Delay", "Skew", "Late", "Drift", "Contains", "Lead", "Jitter", "Depth"]
    assert "Contains The beam is this board's own" in "\n".join(lines)


def test_the_page_is_written_once_and_whole(logbook, tmp_path):
    page = tmp_path / "delay.html"
    done = run(logbook, "--page", page)
    text = page.read_text(encoding="utf-8")
    assert done.stdout.splitlines()[-1] == f"Page     {page}" and text.endswith("</html>")
    assert "exists already" in run(logbook, "--page", page, code=2).stderr and page.read_text(encoding="utf-8") == text
    run(logbook, "--page", page, "--speed-m-s", 3, "--force")
    assert page.read_text(encoding="utf-8") != text
    assert "folder does not exist" in run(logbook, "--page", tmp_path / "no" / "p.html", code=2).stderr
    assert not [p for p in tmp_path.iterdir() if p != page]


def test_a_speed_given_is_used_and_said(logbook):
    out = run(logbook, "--speed-m-s", 3).stdout
    assert "at 3 m/s (given)" in out
    assert run(logbook, "--speed-m-s", 0, code=2).stderr


def test_a_capture_without_time_of_day_is_measured_all_the_same(tmp_path):
    facts = json.loads(run(lit_capture(tmp_path), "--json").stdout)
    rig = facts["rigs"][0]
    assert rig["nights"] == ["unknown date"] and rig["n_answered"] == 60
    found = rig["paths"]["beam_flash"]
    median = found["heads"].get("FLASH1", found["first_us"])["median"]
    assert 4000 <= median["lo"] <= median["value"] <= median["hi"] <= 4050 and median["n"] == 60


def test_without_a_light_sensor_there_is_no_delay_and_it_says_why(tmp_path, logbook):
    done = run(dark_capture(tmp_path), code=5)
    assert "no light sensor" in done.stdout and done.stderr.count("\n") == 1
    both = run(logbook, tmp_path / "edges.csv").stdout  # one of two rigs tells its delay: that is an answer
    assert "no light sensor" in both and "no path that both measured" in both


def test_two_rigs_and_two_boards_stand_side_by_side(logbook, tmp_path):
    facts = json.loads(run(logbook, logbook / log_name(0), "--json").stdout)
    assert [len(r["nights"]) for r in facts["rigs"]] == [2, 1] and len(facts["differences"]) == 1
    assert facts["differences"][0]["paths"]["beam_flash"]["heads"]["left"]["median"]["lo"] < 0
    folder = book(book(tmp_path / "b", (0,)), (1,), board="ffff38528350ab2c", seed=30)
    rigs = json.loads(run(folder, "--json").stdout)["rigs"]
    assert [r["nights"] for r in rigs] == [[date_of(0)], [date_of(1)]]
    assert rigs[1]["label"].endswith("ffff38528350ab2c")


def test_a_damaged_log_is_reported_and_exit_code_4(logbook, tmp_path):
    path = tmp_path / log_name(0)
    content = (logbook / log_name(0)).read_bytes()
    path.write_bytes(flip(content, len(content) // 2))
    done = run(path, code=4)
    assert "Partial" in done.stdout and "median" in done.stdout and "damaged" in done.stderr


@pytest.mark.parametrize(("words", "said"), [(["nowhere"], "not found"), ([], "Missing argument"), (["."], "no .dgl")])
def test_wrong_use_is_exit_code_2(tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    assert said in run(*words, code=2).stderr


US_TICK = 1000 / 72  # ticks in a microsecond
SITE_OF_A_TAP = 'name = "bench"\nzone = "UTC"\nbeam_source = "tap"\n'


def unit_bench(folder, unit_us: float, light_us: float | None, shots: int = 40):
    """A log of SHOT darkening the emitter: watcher on BEAM2, unit's output on BEAM unit_us later, a light or none."""
    rest, beam, beam2, flash = 0x7F, 1, 2, 8
    records, tick = factories.boot_statement(), lambda us: round(us * US_TICK)
    for k in range(shots):
        at = 1e6 + k * 2e6
        dim = unit_us + (k * 7) % 40
        records += [factories.moment(tick(at - 300)), factories.value(0x7A, k + 1)]
        records += [factories.edge(tick(at), rest & ~beam2), factories.edge(tick(at + dim), rest & ~beam2 & ~beam)]
        if light_us is not None:
            lit = at + dim + light_us
            records += [factories.edge(tick(lit), rest & ~beam2 & ~beam & ~flash),
                        factories.edge(tick(lit + 200), rest & ~beam2 & ~beam)]  # fmt: skip
        records.append(factories.edge(tick(at + 100_000), rest))
    data = b"".join(factories.blocks(records))
    folder.mkdir(exist_ok=True)
    path = folder / "bench.dgl"
    path.write_bytes(factories.dgl([(1, 0, data)]))
    (folder / "site.toml").write_text(SITE_OF_A_TAP)
    return path


def test_the_trigger_units_own_delay_is_shown_with_what_it_contains(tmp_path):
    done = run(unit_bench(tmp_path / "b", 800, None), "--json")
    rig = json.loads(done.stdout)["rigs"][0]
    assert list(rig["paths"]) == ["break_unit"] and rig["main_path"] is None
    assert rig["paths"]["break_unit"]["heads"] == {}
    median = rig["paths"]["break_unit"]["first_us"]["median"]
    assert median["value"] == pytest.approx(819.5, abs=1) and median["n"] == 40  # 800 and the middle of 0 to 39
    assert median["lo"] < median["value"] < median["hi"]
    contains = rig["contains"]["break_unit"]
    assert "true break" in contains and "no camera, radio or flash" in contains
    out = run(tmp_path / "b" / "bench.dgl").stdout
    assert "Unit     break to the unit's output median 0.8" in out and "no camera, radio or flash" in out
    assert "sent twice" not in out


def bench_of(path):
    """What `bench` tells of such a log."""
    from duskgate.cli import bench_words
    from duskgate.logfile import decode
    from duskgate.timebase.clock import fit_clock

    rec = decode.read_dgl_files([path])
    facts = bench_words.measure(rec, fit_clock(rec), None, (0, 1), [], False) | {"log": str(path)}
    return facts, "\n".join(bench_words.lines(facts))


def test_the_bench_shows_the_units_own_delay_as_well(tmp_path):
    for light_us in (None, 3000):
        facts, said = bench_of(unit_bench(tmp_path / "b", 800, light_us))
        assert facts["path"] == "break_unit" and facts["unit"]["median"]["value"] == pytest.approx(819.5, abs=1)
        assert facts["answered"] == (0 if light_us is None else 40)
        assert "Unit    alone       median 0.8" in said and "n = 40" in said and "no camera, radio or flash" in said
        assert "Delay" not in said and "Contains" not in said  # the light came through the unit: not SHOT's own way


def test_a_bench_without_a_unit_says_nothing_of_one(tmp_path):
    facts, said = bench_of(unit_bench(tmp_path / "b", 4000, -1000))
    assert facts["path"] == "shot_flash" and "unit" not in facts and "Unit" not in said
    assert facts["delay"]["first_us"]["median"]["value"] == pytest.approx(3019.5, abs=1) and "Delay" in said


def test_a_unit_test_with_lit_heads_is_no_measurement_from_shot_to_light(tmp_path):
    rig = json.loads(run(unit_bench(tmp_path / "b", 800, 3000), "--json").stdout)["rigs"][0]
    assert list(rig["paths"]) == ["break_unit"]
    assert rig["paths"]["break_unit"]["first_us"]["median"]["value"] == pytest.approx(819.5, abs=1)


def test_a_beam_blinded_by_the_flash_is_no_trigger_unit(tmp_path):
    rig = json.loads(run(unit_bench(tmp_path / "b", 4000, -1000), "--json").stdout)["rigs"][0]
    assert list(rig["paths"]) == ["shot_flash"]
    assert rig["paths"]["shot_flash"]["first_us"]["median"]["value"] == pytest.approx(3019.5, abs=1)


def test_behind_a_tap_the_units_own_delay_is_added_to_each_heads(logbook):
    import dataclasses

    from duskgate.report import delay_facts

    rig = delay_facts.read_rigs([logbook])[0]
    tap = dataclasses.replace(rig, site=dataclasses.replace(rig.site, beam_source="tap"))
    unit = rig.fires.head(30).assign(path="break_unit", latency_us=[700.0 + k for k in range(30)],
                                     **{f"latency{k}_us": float("nan") for k in range(1, 5)})  # fmt: skip
    both = dataclasses.replace(tap, parts=[*tap.parts, unit])
    told = delay_facts.delay_facts([both])["rigs"][0]
    left = told["paths"]["beam_flash"]["heads"]["left"]["median"]
    whole = told["with_unit"]["left"]
    assert whole["value"] == pytest.approx(left["value"] + 714.5) and whole["n"] == 30
    assert whole["lo"] < whole["value"] - (left["value"] - left["lo"]) and whole["hi"] > left["hi"] + 714.5
    assert any("with the unit, left" in line for line in delay_facts.delay_facts([both])["summary"])
    own = dataclasses.replace(both, site=rig.site)
    assert delay_facts.delay_facts([own])["rigs"][0]["with_unit"] == {}  # nothing is missing there
