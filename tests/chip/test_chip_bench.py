"""What the board does by itself: the contact that fires the rig, the lamp, the chatter guard, the button."""

import json
import subprocess
import sys
from itertools import pairwise

import numpy as np

from . import figures, scene
from .chipboard import BUTTON_PIN, LAMP_PIN, SHOT_PIN, boot_rows, readings
from .scene import FIRST_INPUT, TICK_US

BEAM2, FLASH = 1, (3, 4, 5)
JUMPER_US = 100.0  # not at once: a scene that a pin starts begins some instructions later
LIGHT_US = (38_000.0, 38_250.0, 39_400.0)  # invented delays of three heads after the contact
PULSE_US = 300.0


def answers() -> dict:
    """At every shot: the jumper shows it to BEAM2 and three heads light up."""
    edges = [{"pin": FIRST_INPUT + BEAM2, "level": level, "t_us": JUMPER_US + 2e4 * level} for level in (0, 1)]
    for channel, t in zip(FLASH, LIGHT_US, strict=True):
        for level in (0, 1):
            edges.append({"pin": FIRST_INPUT + channel, "level": level, "t_us": JUMPER_US + t + PULSE_US * level})
    return {"origin": "trigger", "trigger": {"pin": SHOT_PIN, "level": 0}, "again": True, "edges": edges}


def test_shots_and_lamp(board):
    who = board.await_logger()
    board.control("capture", on=True)
    with board.link() as link:
        link.shots(4, 400)
        board.control.wait(14)
    seen = board.control("capture", on=False)["edges"]
    shot = np.array([us for pin, level, us in seen if pin == SHOT_PIN and level == 0])
    assert len(shot) == 4  # an open drain that lets go drives nothing, so the control port tells the closings alone
    lit = [(level, us) for pin, level, us in seen if pin == LAMP_PIN]
    blinks = [b[1] - a[1] for a, b in pairwise(lit) if a[0] == 1 and b[0] == 0]
    t_ns, number = readings(board.pull(), who["boot_id"], "shot")
    assert number[-4:].tolist() == [1, 2, 3, 4]
    # the moment in the log is just before the contact closes
    late_us = (shot - shot[0]) - (t_ns[-4:] - t_ns[-4]) / 1000
    figures.note(
        "SHOT and lamp", shots=4,
        gap_error_ms=float(np.abs(np.diff(shot) - 4e5).max()) / 1000,
        log_against_contact_us=float(np.abs(late_us).max()), blinks=len(blinks), blink_ms=float(np.mean(blinks)) / 1000,
    )  # fmt: skip
    assert 2 <= len(blinks) <= 3
    assert all(5_000 < blink < 60_000 for blink in blinks)


def test_bench_command(board, tmp_path):
    board.control("scene", scene=answers())
    command = [
        sys.executable, "-m", "duskgate", "bench", "--shots", "6", "--gap", "0.4", "--yes", "--json",
        "--logbook", str(tmp_path / "bench"), "--port", board.url,
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    (tmp_path / "told.json").write_text(done.stdout)
    from duskgate.logfile.decode import read_dgl_files

    recording = read_dgl_files(sorted((tmp_path / "bench").glob("*.dgl")))
    edges = boot_rows(recording, "edges", recording.boots["boot_id"].iloc[-1])
    begins = edges[(edges["channel"] == BEAM2) & (edges["level"] == 1)]["t_ns"].to_numpy()[-6:]
    errors = []
    for channel, delay in zip(FLASH, LIGHT_US, strict=True):
        lights = edges[(edges["channel"] == channel) & (edges["level"] == 1)]["t_ns"].to_numpy()[-6:]
        errors.append((lights - begins) / 1000 - delay)
    worst = float(np.abs(errors).max())
    figures.note("bench command", shots=6, answered=told["answered"], largest_error_of_a_delay_us=worst)
    assert told["answered"]
    assert worst <= TICK_US + 1e-6


def test_chatter_guard_keeps_counts_and_active_time(board):
    """BEAM chatters for five seconds; a few edges of FLASH1 meanwhile are stored as ever."""
    who = board.await_logger()
    with board.link() as link:
        link.setting("chatter_limit", 200)
        noisy = scene.chatter(51, 0, 6000, 200, 1500, 1_000_000.0)
        few = scene.chatter(52, 3, 20, 100_000, 300_000, 1_000_000.0)
        order = np.argsort(np.concatenate([noisy.t_us, few.t_us]), kind="stable")
        both = scene.Edges(*(np.concatenate([a, b])[order] for a, b in (
            (noisy.t_us, few.t_us), (noisy.channel, few.channel), (noisy.level, few.level))))  # fmt: skip
        played = board.play(link, both)
        board.control.wait(3)
        link.setting("chatter_limit", 0)
    recording = board.pull()
    first_ns = (played.begin_us - played.zero_us[1]) * 1000
    edges, told = (boot_rows(recording, name, who["boot_id"]) for name in ("edges", "chatter"))
    edges, told = edges[edges["t_ns"] > first_ns], told[told["t_ns"] > first_ns]
    beam = edges[edges["channel"] == 0]
    assert int((edges["channel"] == 3).sum()) == len(few)
    assert len(beam) + int(told["edges"].sum()) == len(noisy)
    # active time: begin and end of each break, those inside a summary by its own sum
    active_us = float((noisy.t_us[noisy.level == 0] - noisy.t_us[noisy.level == 1]).sum())
    log_us = stored_active_us(beam, told) + int(told["active_ns"].sum()) / 1000
    figures.note(
        "chatter guard", edges=len(noisy), stored=len(beam), summarised=int(told["edges"].sum()), seconds=len(told),
        active_s=active_us / 1e6, error_us=abs(log_us - active_us),
    )  # fmt: skip
    assert len(told) >= 3
    assert abs(log_us - active_us) < 0.2 * len(noisy) * TICK_US  # each end of a break is rounded up to a tick


def stored_active_us(beam, told) -> float:
    """Active time of the edges stored one by one, outside the summarised spans."""
    spans = [(t, t + span) for t, span in zip(told["t_ns"], told["span_ns"], strict=True)]
    points = [(t, level) for t, level in zip(beam["t_ns"], beam["level"], strict=True)]
    begin, end = spans[0][0], spans[-1][1]
    total = 0.0
    for side in ([p for p in points if p[0] < begin], [p for p in points if p[0] >= end]):
        since = None
        if side and side[0][1] == 0:
            since = end if side[0][0] >= end else None
        for t, level in side:
            if level:
                since = t
            elif since is not None:
                total += t - since
                since = None
        if since is not None and since < begin:
            total += begin - since
    return total / 1000


def test_button_writes_a_note(board):
    who = board.await_logger()
    board.control("pin", pin=BUTTON_PIN, level=0)
    board.control.wait(0.3)
    board.control("pin", pin=BUTTON_PIN, level=1)
    board.control.wait(0.3)
    notes = boot_rows(board.pull(), "notes", who["boot_id"])
    assert int((notes["what"] == "button").sum()) == 1
