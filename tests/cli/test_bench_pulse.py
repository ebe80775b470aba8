"""`bench --pulse` on the real firmware: an invented rig whose heads are switched on one after the other."""

import json
import shlex

import pytest
from click.testing import CliRunner
from duskgate import sitefile
from duskgate.cli import main
from duskgate.link.port import BoardLink
from duskgate.virtual.board import VirtualBoard

from tests import fakes

HEAD = {"peak": 1500, "rise_us": 10, "tau_us": 60, "cut_us": None, "charge_s": 0.05}
ENTER = "\n" * 40
SHOTS = 5


def scene(folder, heads, latency_us=(2400, 2400, 2400), alone=SHOTS):
    """Scene of a garden in which nothing happens, with this rig."""
    path = fakes.scene_file(folder / "scene", 5.0)
    head, body = path.read_bytes().split(b"\n", 1)
    rig = {"latency_us": list(latency_us), "jitter_us": 20, "light_us": 200, "alone_shots": alone}
    more = {"shot_rig": rig, "seed": 3, "light_pulse": {"baseline": 100, "noise": 1.0, "heads": heads}}
    path.write_bytes(json.dumps(json.loads(head) | more).encode() + b"\n" + body)
    return path


@pytest.fixture(autouse=True)
def no_long_waits(monkeypatch):
    monkeypatch.setattr("duskgate.cli.bench_run.SETTLE_S", 0.2)


@pytest.fixture
def rig(tmp_path):
    """Starts a virtual board with these heads; gives its URL."""
    boards = []

    def start(heads, **how):
        folder = tmp_path / f"board{len(boards)}"
        folder.mkdir()
        boards.append(VirtualBoard(scene(folder, heads, **how), folder / "flash"))
        boards[-1].__enter__()
        boards[-1].wait_scene_end()
        return boards[-1].url

    yield start
    for board in boards:
        board.__exit__(None, None, None)


@pytest.fixture
def site(tmp_path, monkeypatch):
    """A folder with the template's site file: heads left, right and back at 1/32."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "site.toml"
    path.write_text(sitefile.template(), encoding="utf-8")
    return path


def run(url: str, *words: object, code: int = 0, typed: str = ENTER):
    shots = () if "--shots" in words else ("--shots", SHOTS)
    done = CliRunner().invoke(main, ["bench", "--pulse", "--gap", "0.2", *map(str, (*shots, *words)), "--port", url],
                              input=typed)  # fmt: skip
    assert done.exit_code == code, done.output
    return done


def kept_kb(url: str) -> int:
    with BoardLink(url) as link:
        return link.setting()["pulse_kb"]


def test_three_heads_alone_are_measured_saved_and_planned_with(rig, site, tmp_path):
    url = rig([HEAD, HEAD, HEAD | {"tau_us": 90}])
    before = site.read_text(encoding="utf-8")
    done = run(url, "--save", "--json", "--page", "pulses.html")
    facts = json.loads(done.stdout)
    assert [(s["head"], s["power"], s["verdict"], s["good"]) for s in facts["steps"]] == [
        (name, 1 / 32, "good", SHOTS) for name in ("left", "right", "back")
    ]
    for step, tau in zip(facts["steps"], (60, 60, 90), strict=True):
        # an exponential decay is above a tenth of its peak for tau ln 10; the rise of 10 us adds nine tenths of it
        assert step["t01_us"]["value"] == pytest.approx(tau * 2.302585 + 9, abs=3) and step["t01_us"]["n"] == SHOTS - 1
    told = {tuple(pair["heads"]): pair["duration"]["what"] for pair in facts["alike"]}
    assert told == {("left", "right"): "alike", ("left", "back"): "not alike", ("right", "back"): "not alike"}
    assert "left at 1/32: 5 of 5 shots good" in done.stderr and "Eyes" in done.stderr and kept_kb(url) == 64
    assert "Not alike in duration" in (tmp_path / "pulses.html").read_text(encoding="utf-8")
    text = site.read_text(encoding="utf-8")
    assert text.startswith(before) and len(sitefile.load(site).power_steps) == 3
    planned(site, facts["steps"][2])


def planned(site, slowest: dict):
    """`plan` takes its blur from the slowest head as measured: speed times t0.1."""
    site.write_text(site.read_text().replace("# speed_m_s", "speed_m_s", 1), encoding="utf-8")
    done = CliRunner().invoke(main, ["plan", "--site", str(site), "--date", "2026-07-19", "--json"])
    assert done.exit_code == 0, done.output
    blur = json.loads(done.stdout)["numbers"]["blur"]
    mm = sitefile.load(site).animal.speed_m_s * round(slowest["t01_us"]["value"], 1) / 1000
    assert blur["value"] == pytest.approx(mm) and blur["n"] == SHOTS - 1
    assert blur["reason"] == "stated speed x measured flash duration t0.1 (back, n = 4 firings)"


def test_saving_the_same_rows_twice_changes_nothing(site):
    from duskgate.cli.bench_pulse import save

    rows = [{"head": "left", "power": 1 / 32, "t05_us": 40.0, "t01_us": 140.0, "recycle_s": None, "fires": 4}]
    assert "1 row of [[power_steps]]" in save(site, rows)
    once = site.read_bytes()
    assert "nothing to write" in save(site, rows) and site.read_bytes() == once


def test_weak_and_saturated_steps_give_advice_at_once_and_save_nothing(rig, site):
    url = rig([HEAD | {"peak": 40}, HEAD | {"peak": 6000}], latency_us=(2400, 2400))
    before = site.read_bytes()
    # Go; left; no repeat; right; no repeat
    done = run(url, "--powers", "1/8", "--only", "left", "--only", "right", "--save", code=5, typed="\n\nn\n\nn\n")
    assert "left at 1/8: weak, 0 of 5 shots good. Too little light" in done.stderr
    assert "right at 1/8: saturated, 0 of 5 shots good. Too much light" in done.stderr
    assert done.stderr.strip().splitlines()[-1].startswith("duskgate: no pulse was good") and kept_kb(url) == 64
    assert site.read_bytes() == before


def test_a_step_that_was_not_good_is_repeated_and_its_last_try_counts(rig, site):
    """The invented hand goes from a head that is too weak to one that is right, as moving the photodiode would."""
    url = rig([HEAD | {"peak": 40}, HEAD], latency_us=(2400, 2400))
    done = run(url, "--powers", "1/8", "--only", "left", "--json")
    facts = json.loads(done.stdout)
    assert [(s["verdict"], s["good"], s["pulses"]) for s in facts["steps"]] == [("good", SHOTS, SHOTS)]
    assert done.stderr.index("left at 1/8: weak") < done.stderr.index("left at 1/8: 5 of 5 shots good")


def test_several_heads_at_once_are_flagged(rig, site):
    url = rig([HEAD, HEAD, HEAD], alone=None)
    done = run(url, "--powers", "1/8", "--only", "left", "--yes", code=5)
    assert "several lights in it, 0 of 5 shots good. More than one light" in done.stderr


def test_several_gaps_tell_how_soon_the_light_is_whole_again(rig, site):
    """90 % of (1 - exp(-gap / tau))^2 comes after 2.970 tau (maths): 0.297 s for the 0.1 s of this head."""
    url = rig([HEAD | {"charge_s": 0.1}, None, None], latency_us=(2400, None, None), alone=None)
    done = run(url, "--powers", "1/8", "--only", "left", "--gap", "0.1,0.2,0.4,0.8", "--save", "--json")
    facts = json.loads(done.stdout)
    assert facts["steps"][0]["charge"]["ready_s"]["value"] == pytest.approx(0.297, rel=0.1)
    step = sitefile.load(site).power_steps[0]
    assert (step.head, step.power) == ("left", 1 / 8) and step.fires in (SHOTS - 1, SHOTS)
    assert step.recycle_s == pytest.approx(0.297, rel=0.1)


def test_powers_that_nothing_states_are_asked_for(rig, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    url = rig([HEAD, HEAD, HEAD])
    done = run(url, "--only", "head 1", "--yes", typed="a lot\n1/2\n\n")
    assert "no share of full power" in done.stderr and "head 1 at 1/2: 5 of 5 shots good" in done.stdout


def test_the_example_in_the_help_works_with_its_gap_shortened(rig, site):
    shown = CliRunner().invoke(main, ["bench", "--help"]).stdout
    line = next(text.strip() for text in shown.splitlines() if text.strip().startswith("duskgate bench --pulse"))
    words = shlex.split(line)[2:]
    url = rig([HEAD, HEAD, HEAD], alone=10)
    done = CliRunner().invoke(main, ["bench", *words, "--gap", "0.12", "--port", url], input=ENTER)
    assert done.exit_code == 0, done.output
    assert "back at 1/4: 5 of 5 shots good" in done.stdout


def test_stopped_by_the_user_the_board_is_told_to_stop_and_its_limit_comes_back(rig, site, monkeypatch):
    from duskgate.cli import bench_run

    def interrupt(self):
        raise KeyboardInterrupt

    url = rig([HEAD, HEAD, HEAD])
    monkeypatch.setattr(bench_run.Run, "_left", interrupt)
    assert "stopped" in run(url, "--shots", 200, code=130).stderr and kept_kb(url) == 64
    with BoardLink(url) as link:
        assert not link.state().get("shots_left")


def test_a_firmware_without_pulses_fires_nothing(tmp_path, site):
    with fakes.PtyBoard(fakes.FakeBoard({1: [fakes.night_blocks(1), 2]})) as here:
        here.board.facts["settings"] = {"commit_s": 10}
        assert "duskgate load renews it" in run(here.url, code=2).stderr and here.board.shots == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--pulse", "--heads-alone"], "choose one of --pulse and --heads-alone"),
        (["--pulse", "--by-hand"], "choose one of --pulse and --by-hand"),
        (["--powers", "1/2"], "--powers goes with --pulse"),
        (["--only", "left"], "--only goes with --pulse"),
        (["--page", "x.html"], "--page goes with --pulse"),
        (["--pulse", "--powers", "3"], "no share of full power"),
        (["--pulse", "--only", "lift"], "known are left, right, back"),
        (["--pulse", "--page", "nowhere/x.html"], "its folder does not exist"),
        (["--pulse", "--save", "--site", "bare.toml", "--powers", "1"], "name the heads there first"),
    ],
)
def test_wrong_use_is_one_line(site, words, said):
    (site.parent / "bare.toml").write_text('name = "bare"\n', encoding="utf-8")
    done = CliRunner().invoke(main, ["bench", *words])
    assert done.exit_code == 2 and said in done.stderr.strip().splitlines()[-1]
