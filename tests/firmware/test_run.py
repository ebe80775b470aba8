"""The virtual board as a process: a scene through the whole firmware, under each interpreter."""

import binascii
import importlib.util
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest

import bench
import helpers
import scenes

RUN = str(Path(__file__).resolve().parents[2] / "firmware" / "sim" / "run.py")
START = "import sys; from micropython_unix import main; sys.exit(main())"
MICROPYTHON = [sys.executable, "-c", START, "-X", "heapsize=2m"]
COMMANDS = {"cpython": [sys.executable], "micropython": MICROPYTHON}
NS = scenes.NS
WAIT_S = 60


@pytest.fixture(params=sorted(COMMANDS))
def interpreter(request):
    if request.param == "micropython" and importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython wheel on this system")
    return request.param


class Process:
    """run.py on pipes. lines(): its error stream; ask(): frames of an answer."""

    def __init__(self, interpreter, scene, flash, *more):
        words = [*COMMANDS[interpreter], RUN, "--scene", str(scene), "--flash", str(flash), *more]
        self.popen = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        self.said = []
        self._ss = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.popen.kill()
        self.popen.wait()
        for stream in (self.popen.stdin, self.popen.stdout, self.popen.stderr):
            stream.close()

    def until(self, start):
        """Read the error stream up to a line that begins so."""
        for line in self.popen.stderr:
            self.said.append(line.decode().rstrip())
            if self.said[-1].startswith(start):
                return self.said[-1]
        raise AssertionError(f"never said {start}: {self.said[-5:]}")

    def send(self, text):
        self._ss = (self._ss + 1) & 0xFF
        body = b"(%02X %s)" % (self._ss, text.encode())
        self.popen.stdin.write(body + b"%04X\n" % (binascii.crc32(body) & 0xFFFF))
        self.popen.stdin.flush()

    def ask(self, text):
        self.send(text)
        found = []
        while not found or found[-1][0] == 2:
            head = self.popen.stdout.read(8)
            rest = self.popen.stdout.read(struct.unpack("<H", head[4:6])[0] + 4)
            found += bench.frames(head + rest)
        return found

    def data(self, text):
        return b"".join(payload[4:] for kind, payload, _ in self.ask(text) if kind == 2)

    def log(self):
        """Records of the whole log, pulled over the link."""
        self.ask("commit")
        rows = self.data("list")
        numbers = [int.from_bytes(rows[at : at + 4], "little") for at in range(0, len(rows), 12)]
        return [block for n in numbers for block in helpers.decode(self.data(f"get {n} 0 99999"))]


def night(seconds=1800, breaks=400, seed=5):
    """Level events of breaks and flashes, and what the log should hold: [(tick, active levels)]."""
    rng = random.Random(seed)
    events, t = [], 20 * NS
    for _ in range(breaks):
        t += rng.randrange(NS // 100, 2 * seconds * NS // breaks - NS // 50)
        if t > (seconds - 20) * NS:
            break
        dark = rng.randrange(2_000_000, 90_000_000)
        events += [(t, 1), (t + 450_000, 1 | 0x38), (t + 900_000, 1), (t + dark, 0)]
        t += dark
    wanted = [(-(-t // 72), levels) for t, levels in events]
    return [(t, scenes.LEVELS, levels) for t, levels in events], wanted


def edges(blocks):
    return [(row[0], row[2] ^ 0x7F) for row in helpers.rows(blocks) if row[1] == 1]


def test_a_night_comes_through_edge_for_edge(interpreter, tmp_path):
    events, wanted = night()
    scene = scenes.write(tmp_path / "scene", events, 1800)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        log = board.log()
    assert edges(log) == wanted
    found = helpers.rows(log)
    assert helpers.values(found, 0x47) == [2 if interpreter == "micropython" else 3]
    assert len(helpers.values(found, 0x50)) in (29, 30)
    assert not helpers.values(found, 0x51)
    # this scene lights three sensors at one and the same tick, and a fourth that is in use never
    assert set(helpers.values(found, 0x78)) == {20 | 0x38 << 16, 23 | 0x40 << 16}


def test_both_interpreters_write_the_same_log(tmp_path):
    if importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython wheel on this system")
    scene = scenes.write(tmp_path / "scene", night()[0], 1800)
    logs = {}
    for interpreter in COMMANDS:
        with Process(interpreter, scene, tmp_path / interpreter) as board:
            board.until("scene end")
            logs[interpreter] = helpers.rows(board.log(), restated=True)
    differ = {0x46, 0x47, 0x79}  # interpreter, its version, its heap
    a, b = ([row for row in rows if row[1] not in differ] for rows in logs.values())
    assert a == b


def test_everything_a_scene_can_hold(interpreter, tmp_path):
    events, _ = night(600, 80)
    events += [
        (1, scenes.SUPPLY, 3950),
        (2, scenes.TEMPERATURE, -250),
        (100 * NS, scenes.BUTTON, 0),
        (200 * NS, scenes.LOSS, 17),
        (300 * NS, scenes.STATE, 4),
        (420 * NS, scenes.STATE, 0),
        (500 * NS, scenes.DROP, 2),
    ]
    scene = scenes.write(tmp_path / "scene", events, 600)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        found = helpers.rows(board.log())
    assert set(helpers.values(found, 0x58)) == {3950}
    assert {helpers.signed(v) for v in helpers.values(found, 0x59)} == {-250}
    assert helpers.values(found, 0x70) == [5]
    assert 17 in helpers.values(found, 0x60) and 1 in helpers.values(found, 0x61)
    blind = [i for i, row in enumerate(found) if row[1] == 0x63]
    assert len(blind) == 2
    moment = found[blind[0] - 3]
    assert moment[1] == 3 and found[blind[0]][0] < moment[0]
    assert abs(found[blind[0]][0] - 200 * NS / 72) < 2e8 / 9
    states = helpers.values(found, 0x51)
    assert states and all(state & 4 for state in states)
    assert found[-1][1] != 0x51, "the wave came back"


def test_reset_by_the_scene(interpreter, tmp_path):
    events, wanted = night(300, 60)
    at = 150 * NS
    scene = scenes.write(tmp_path / "scene", [*events, (at, scenes.RESET, 2)], 300)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        assert board.until("reset") == f"reset {at} 2"
        assert board.popen.wait(WAIT_S) == 75
    again_at = at + 3 * NS
    with Process(interpreter, scene, tmp_path / "flash", "--boot-at-ns", str(again_at)) as board:
        board.until("scene end")
        log = board.log()
    boots = {block[1] for block in log}
    assert boots == {1, 2}
    assert [helpers.values(block[3], 0x42) for block in log if block[2] == 0] == [[1], [2]]
    first = edges([block for block in log if block[1] == 1])
    assert first == wanted[: len(first)]
    assert not [w for w in wanted[len(first) :] if w[0] * 72 < at - 11 * NS], "at most the last 10 s are lost"
    second = edges([block for block in log if block[1] == 2])
    ticks = [(-(-(t - again_at) // 72), levels) for t, _, levels in events if t > again_at]
    assert second == ticks


def test_power_cut_loses_ten_seconds_at_most_and_the_boot_is_counted(interpreter, tmp_path):
    scene = scenes.write(tmp_path / "scene", night(40000, 2000)[0], 40000)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene 30")
        board.popen.send_signal(signal.SIGKILL)
        board.popen.wait()
    with Process(interpreter, scene, tmp_path / "flash", "--boot-at-ns", str(39000 * NS)) as board:
        board.until("scene end")
        log = board.log()
    wanted = night(40000, 2000)[1]
    first = edges([block for block in log if block[1] == 1])
    assert first == wanted[: len(first)] and len(first) > 1000
    assert {block[1] for block in log} == {1, 2}
    assert [helpers.values(block[3], 0x42) for block in log if block[2] == 0] == [[1], [1]]


def test_restart_asked_by_the_host(interpreter, tmp_path):
    scene = scenes.write(tmp_path / "scene", [], 30)
    flash = tmp_path / "flash"
    with Process(interpreter, scene, flash) as board:
        board.until("scene end")
        assert board.ask("restart log")[0][1] == b'{"restart": "log"}'
        line = board.until("reset")
        assert line.endswith(" 3") and board.popen.wait(WAIT_S) == 75
    with Process(interpreter, scene, flash, "--boot-at-ns", line.split()[1]) as board:
        board.until("scene end")
        found = helpers.rows(board.log())
        assert helpers.values(found, 0x42) == [1, 3] and helpers.values(found, 0x7B) == [1]
        board.ask("restart hold")
        assert board.popen.wait(WAIT_S) == 75
    with Process(interpreter, scene, flash) as board:
        board.until("hold")
        assert board.popen.wait(WAIT_S) == 0


def test_ctrl_c_ends_in_order_and_end_of_input_ends(interpreter, tmp_path):
    scene = scenes.write(tmp_path / "scene", [], 20)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        board.popen.stdin.write(b"\x03")
        board.popen.stdin.flush()
        board.until("stopped")
        assert board.popen.wait(WAIT_S) == 0
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        assert helpers.values(helpers.rows(board.log()), 0x7B) == [1]
        board.popen.stdin.close()
        assert board.popen.wait(WAIT_S) == 0


def test_host_that_does_not_read_stops_nothing(interpreter, tmp_path):
    """The answer is given up after 2 s; the board goes on, and the next request is answered."""
    events, wanted = night(900, 300)
    scene = scenes.write(tmp_path / "scene", events, 900)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        for _ in range(30):  # far more than a pipe holds
            board.send("get 1 0 99999")
            time.sleep(0.01)
        time.sleep(2.5)
        os.set_blocking(board.popen.stdout.fileno(), False)
        stale = b""
        while piece := board.popen.stdout.read(65536):
            stale += piece
            time.sleep(0.05)
        os.set_blocking(board.popen.stdout.fileno(), True)
        assert len(bench.frames(stale)) > 5, "frames already begun were finished"
        assert edges(board.log()) == wanted


def test_requests_are_answered_while_the_scene_lasts(interpreter, tmp_path):
    scene = scenes.write(tmp_path / "scene", night(90000, 3000)[0], 90000)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene 0")
        ticks = [int(board.ask("tick")[0][1].split(b"tick\": ")[1].split(b",")[0]) for _ in range(5)]
        assert ticks == sorted(ticks) and ticks[-1] < 90000 * NS // 72


def test_shots_are_answered_by_the_rig_of_the_scene(interpreter, tmp_path):
    rig = {"latency_us": [400, None, 900], "jitter_us": 5, "light_us": 80}
    scene = scenes.write(tmp_path / "scene", [], 20, rig=rig)
    with Process(interpreter, scene, tmp_path / "flash") as board:
        board.until("scene end")
        assert board.ask("shot 5 100")[0][1] == b'{"shots": 5}'
        while b'"shots_left": 0' not in board.ask("state")[0][1]:
            time.sleep(0.05)
        found = helpers.rows(board.log())
    assert helpers.values(found, 0x7A) == [1, 2, 3, 4, 5]
    for number in range(1, 6):
        at = found.index((number, 0x7A, 0))
        start = found[at - 1][0]
        seen = [(tick - start, levels ^ 0x7F) for tick, tag, levels in found[at + 1 : at + 7] if tag == 1]
        assert [active for _, active in seen] == [0x02, 0x0A, 0x02, 0x22, 0x02, 0x00]
        assert seen[0][0] <= 1 and abs(seen[1][0] * 0.072 - 400) < 6 and abs(seen[3][0] * 0.072 - 900) < 6
        assert abs(seen[5][0] * 0.072 - 20000) < 1


def test_light_pulses_are_the_same_from_both_interpreters(tmp_path):
    """Each is a chain of groups with running numbers; the same scene gives the same bytes."""
    if importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython wheel on this system")
    head = {"peak": 1200, "rise_us": 20, "tau_us": 150, "cut_us": None, "charge_s": 0.5}
    light = {"baseline": 90, "noise": 1.5, "heads": [head, {**head, "cut_us": 120}]}
    events = []
    for k in range(40):
        t = (10 + 3 * k) * NS + 1234 * k
        lit = 0x08 << k % 2
        events += [(t, scenes.LEVELS, 1), (t + 2_000_000, scenes.LEVELS, 1 | lit), (t + 2_400_000, scenes.LEVELS, 1)]
        events += [(t + 90_000_000, scenes.LEVELS, 0)]
    scene = scenes.write(tmp_path / "scene", events, 150, light=light)
    found = {}
    for name in COMMANDS:
        with Process(name, scene, tmp_path / name, "--settings", "pulse_kb=1000") as board:
            board.until("scene end")
            found[name] = [row for row in helpers.rows(board.log()) if 0x80 <= row[1] <= 0x8F]
    assert found["cpython"] == found["micropython"]
    headers = [row for row in found["cpython"] if row[1] == 0x80]
    assert [row[0] & 0xFFFF for row in headers] == list(range(1, 41))
    assert [row[2] for row in headers] == [1, 2] * 20


def test_settings_from_the_command_line(interpreter, tmp_path):
    scene = scenes.write(tmp_path / "scene", [], 10)
    more = ("--settings", "chatter_limit=9,channels=129", "--board", "a1b2c3")
    with Process(interpreter, scene, tmp_path / "flash", *more) as board:
        board.until("scene end")
        assert b'"channels": 129' in board.ask("who")[0][1] and b'"board": "a1b2c3"' in board.ask("who")[0][1]
        assert b'"chatter_limit": 9' in board.ask("settings")[0][1]
    with Process(interpreter, scene, tmp_path / "flash", "--settings", "heads=9") as board:
        assert board.popen.wait(WAIT_S) != 0 and "heads=9" in board.popen.stderr.read().decode()


def test_a_damaged_flash_image_is_never_formatted(tmp_path):
    if importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython wheel on this system")
    scene = scenes.write(tmp_path / "scene", [], 10)
    image = tmp_path / "flash"
    image.write_bytes(b"\x00" * 4096 * 352)
    with Process("micropython", scene, image) as board:
        assert board.popen.wait(WAIT_S) != 0
        assert "flash" in board.popen.stderr.read().decode()
    assert image.read_bytes() == b"\x00" * 4096 * 352


@pytest.mark.skipif(shutil.which("true") is None, reason="needs a system with sockets on the loopback")
def test_link_over_tcp(tmp_path):
    import socket

    scene = scenes.write(tmp_path / "scene", [], 20)
    with Process("cpython", scene, tmp_path / "flash", "--tcp", "0") as board:
        port = int(board.until("tcp").split()[1])
        board.until("scene end")
        for _ in range(2):  # a second connection after the first
            with socket.create_connection(("127.0.0.1", port), timeout=10) as link:
                body = b"(01 who)"
                link.sendall(body + b"%04X\n" % (binascii.crc32(body) & 0xFFFF))
                got = b""
                while not bench.frames(got):
                    got += link.recv(4096)
                assert b"010203" in bench.frames(got)[0][1]
