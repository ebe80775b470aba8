"""Loading the firmware: a board of this process, cut at every call; the signatures that we rely on."""

import builtins
import hashlib
import inspect
import io
import os
import types
import zlib
from contextlib import redirect_stdout
from pathlib import Path

import pytest
from duskgate import __version__
from duskgate.errors import LinkError, UsageError
from duskgate.link import install, pack
from mpremote.transport import Transport, TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

FILES = {
    "board.py": b"board 2\n", "main.py": b"# main 2\n", "core/__init__.py": b"", "core/link.py": b"link 2\n" * 400,
    "chip/lamp.py": b"lamp 2\n", "core/version.py": b"FIRMWARE = (0, 2, 0)\n",
}  # fmt: skip
OLD = {
    "board.py": b"board 1\n", "main.py": b"# main 1\n", "core/__init__.py": b"", "core/link.py": b"link 1\n",
    "core/gone.py": b"gone\n", "chip/lamp.py": b"lamp 2\n",
    "board.mpy": b"board 0\n", "settings.txt": b"x=1\n", "log/00000001.seg": b"night",
    "mine.py": b"not ours\n", "core/mine.txt": b"not ours either\n",
}  # fmt: skip


class Cut(TransportError):
    pass


class FakeTransport(Transport):
    """Runs what it is told in this process, on a folder as the board's root; fails after `cut_after` calls."""

    def __init__(self, root: Path, cut_after: int | None = None, told: dict | None = None):
        self.root = root
        self.calls = 0
        self.cut_after = cut_after
        self.names = {"__name__": "prompt", "__builtins__": builtins_of(BoardOs(root))}
        self.told = {"name": "micropython", "version": (1, 29, 0), "platform": "rp2", "free": 350} | (told or {})
        self.told = {"mpy": 0x1306, "inflates": True} | self.told
        self.restarts: list[str] = []

    def exec(self, command, data_consumer=None):
        self.calls += 1
        if self.cut_after is not None and self.calls > self.cut_after:
            raise Cut("device is gone")
        if isinstance(command, bytes):
            command = command.decode()
        if "sys.implementation" in command:
            t = self.told
            facts = (t["name"], t["version"], t["platform"], "a board", 4096, t["free"], t["mpy"], t["inflates"])
            return repr(facts).encode() + b"\r\n"
        out = io.StringIO()
        try:
            with redirect_stdout(out):
                exec(command, self.names)
        except OSError as error:
            raise TransportExecError(b"", str(error)) from error
        return out.getvalue().encode()

    def eval(self, expression, parse=True):
        raise AssertionError("not used")

    def exec_raw_no_follow(self, command):
        self.restarts.append(command)


class BoardOs:
    """`os` of the board, below a folder; rename replaces, as littlefs does."""

    def __init__(self, root: Path):
        self.root = root

    def _at(self, path: str) -> Path:
        return self.root / path.lstrip("/")

    def ilistdir(self, path):
        for p in self._at(path).iterdir():
            yield (p.name, 0x4000 if p.is_dir() else 0x8000, 0, 0)

    def listdir(self, path):
        return [p.name for p in self._at(path).iterdir()]

    def mkdir(self, path):
        self._at(path).mkdir()

    def stat(self, path):
        return os.stat(self._at(path))

    def rename(self, a, b):
        os.replace(self._at(a), self._at(b))

    def remove(self, path):
        os.remove(self._at(path))


class DeflateIO(io.BytesIO):
    """As MicroPython's: a stream of what another stream holds compressed."""

    def __init__(self, stream, kind):
        assert kind == "zlib"
        super().__init__(zlib.decompress(stream.read()))


DEFLATE = types.SimpleNamespace(ZLIB="zlib", DeflateIO=DeflateIO)


def builtins_of(fake: "BoardOs") -> dict:
    """Python's own names, but for files, `import os` and `import deflate`, which mean the board's."""

    def load(name, *more):
        return {"os": fake, "deflate": DEFLATE}.get(name) or __import__(name, *more)

    own = {"open": lambda path, mode="r": open(fake._at(path), mode), "__import__": load}  # noqa: SIM115
    return {**vars(builtins), **own}


def board(folder: Path, files: dict[str, bytes] = OLD) -> Path:
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def restart(folder: Path) -> None:
    """What the board does at a start: main.py runs. The finisher renames and then resets; other mains do nothing."""
    text = (folder / "main.py").read_text()
    exec(text, {"__builtins__": builtins_of(BoardOs(folder)), "__name__": "start"})


GONE = ["board.mpy", "core/gone.py"]
NEW_STATE = {**{n: d for n, d in OLD.items() if n not in GONE}, **FILES}


def test_what_is_used_of_mpremote_has_the_arguments_that_we_give():
    def names(function):
        return list(inspect.signature(function).parameters)

    assert names(SerialTransport.__init__)[1:] == ["device", "baudrate", "wait", "exclusive", "timeout"]
    assert names(SerialTransport.enter_raw_repl)[1:] == ["soft_reset", "timeout_overall"]
    assert names(SerialTransport.exec)[1:] == ["command", "data_consumer"]
    assert names(SerialTransport.exec_raw_no_follow)[1:] == ["command"]
    assert names(SerialTransport.close)[1:] == []
    assert issubclass(TransportExecError, TransportError)


def test_the_firmware_folder_gives_what_belongs_on_the_board():
    files = install.firmware_files()
    assert {"main.py", "board.py", "station.py", "wiring.py", "core/link.py", "chip/usb.py"} <= set(files)
    assert not [name for name in files if name.startswith("sim/") or not name.endswith(".py")]
    assert install.version_of(files) == __version__


def test_a_load_exchanges_ours_and_leaves_the_rest(tmp_path):
    told: list[tuple[int, int]] = []
    transport = FakeTransport(board(tmp_path))
    done = install.Installer(transport).load(FILES, lambda n, total: told.append((n, total)))
    assert content(tmp_path) == NEW_STATE
    assert done.same == 2 and done.remove == GONE and set(done.write) == set(FILES) - {
        "core/__init__.py", "chip/lamp.py",
    }  # fmt: skip
    assert told[-1] == (len(done.packed), len(done.packed)) and [n for n, _ in told] == sorted(n for n, _ in told)


def test_a_second_load_writes_nothing(tmp_path):
    install.Installer(FakeTransport(board(tmp_path))).load(FILES)
    assert install.Installer(FakeTransport(tmp_path)).load(FILES).idle


def test_an_empty_board_is_filled(tmp_path):
    install.Installer(FakeTransport(tmp_path)).load(FILES)
    assert content(tmp_path) == FILES


def whole_calls(folder: Path) -> int:
    transport = FakeTransport(board(folder))
    install.Installer(transport).load(FILES)
    return transport.calls


def test_cut_anywhere_the_old_or_the_new_firmware_is_whole_and_a_second_load_finishes(tmp_path):
    states = set()
    for cut in range(whole_calls(tmp_path / "whole")):
        here = board(tmp_path / str(cut))
        with pytest.raises(LinkError):
            install.Installer(FakeTransport(here, cut_after=cut)).load(FILES)
        after = content(here)
        restart(here)
        started = {n: d for n, d in content(here).items() if not n.endswith(".new")}
        assert started in (OLD, NEW_STATE), cut
        states.add(started == OLD)
        assert after["log/00000001.seg"] == b"night" and after["settings.txt"] == b"x=1\n"
        install.Installer(FakeTransport(here)).load(FILES)
        assert content(here) == NEW_STATE, cut
    assert states == {True, False}


class Dies(BoardOs):
    """Loses its power at a rename or a removal."""

    left = 0

    def _change(self):
        if not self.left:
            raise KeyboardInterrupt
        self.left -= 1

    def rename(self, a, b):
        self._change()
        super().rename(a, b)

    def remove(self, path):
        self._change()
        super().remove(path)


@pytest.mark.parametrize("inflates", [True, False])
def test_power_cut_at_any_step_of_the_exchange_is_finished_by_the_board_itself(tmp_path, inflates):
    dies_at = 0
    while True:
        here = board(tmp_path / str(dies_at))
        packed = pack.make(FILES, inflates)
        name = pack.name_of(packed)
        (here / name).write_bytes(packed)
        text = pack.finisher(name, GONE, inflates).decode()
        (here / "main.py").write_text(text)
        dying = Dies(here)
        dying.left = dies_at
        try:
            exec(text, {"__builtins__": builtins_of(dying), "__name__": "start"})
            break
        except KeyboardInterrupt:
            assert (here / "main.py").read_text() == text
        restart(here)
        assert content(here) == NEW_STATE, dies_at
        dies_at += 1
    assert content(here) == NEW_STATE and dies_at > len(FILES) + len(GONE)


def test_a_board_that_cannot_inflate_gets_a_plain_pack(tmp_path):
    done = install.Installer(FakeTransport(board(tmp_path), told={"inflates": False})).load(FILES)
    assert content(tmp_path) == NEW_STATE and FILES["core/link.py"] in done.packed


def test_a_later_load_goes_on_where_a_cut_one_was(tmp_path):
    files = {**FILES, "core/large.py": os.urandom(40_000)}  # what does not shrink: a pack of several pieces
    here = board(tmp_path)
    with pytest.raises(LinkError, match="load again"):
        install.Installer(FakeTransport(here, cut_after=40)).load(files)
    second = FakeTransport(here)
    done = install.Installer(second).load(files)
    assert done.kept >= 3 * install.PIECE and {n: content(here)[n] for n in files} == files
    assert second.calls < 40, "it sent all of it again"


def test_what_a_cut_load_left_in_tatters_is_sent_again(tmp_path):
    here = board(tmp_path)
    done = install.Installer(FakeTransport(board(tmp_path / "w"))).load(FILES)
    (here / pack.name_of(done.packed)).write_bytes(b"?" * 100)
    assert install.Installer(FakeTransport(here)).load(FILES).kept == 0 and content_of(here) == NEW_STATE


def content_of(folder: Path) -> dict[str, bytes]:
    return {name: data for name, data in content(folder).items() if not name.startswith("w/")}


def test_another_version_after_a_cut_load_leaves_nothing_of_it(tmp_path):
    here = board(tmp_path)
    with pytest.raises(LinkError):
        install.Installer(FakeTransport(here, cut_after=10)).load({**FILES, "core/extra.py": b"extra\n"})
    assert [name for name in content(here) if name.startswith("load-")]
    install.Installer(FakeTransport(here)).load(FILES)
    assert content(here) == NEW_STATE


def test_the_pack_of_a_finisher_that_waits_is_left_to_it(tmp_path):
    """The power went in the exchange, and the next load brings another version and is cut as well."""
    here = board(tmp_path)
    packed = pack.make(FILES, True)
    name = pack.name_of(packed)
    (here / name).write_bytes(packed)
    (here / "main.py").write_bytes(pack.finisher(name, GONE, True))
    newer = {**FILES, "board.py": b"board 3\n"}
    with pytest.raises(LinkError):
        install.Installer(FakeTransport(here, cut_after=10)).load(newer)
    restart(here)
    assert {n: d for n, d in content(here).items() if not n.startswith("load-")} == NEW_STATE
    install.Installer(FakeTransport(here)).load(newer)
    assert content(here) == {**NEW_STATE, **newer}


def test_source_is_exchanged_for_compiled_files_and_back(tmp_path):
    made = {"main.py": b"# main 2\n", "board.mpy": b"M board", "core/link.mpy": b"M link", "chip/lamp.mpy": b"M lamp"}
    here = board(tmp_path, FILES)
    done = install.Installer(FakeTransport(here)).load(made)
    assert content(here) == made and "board.py" in done.remove
    assert install.Installer(FakeTransport(here)).load(made).idle
    (here / "board.py").write_bytes(b"would be taken before the compiled one\n")
    assert install.Installer(FakeTransport(here)).load(made).remove == ["board.py"] and content(here) == made
    install.Installer(FakeTransport(here)).load(FILES)
    assert content(here) == FILES


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"name": "circuitpython", "version": (9, 2, 0)}, "not MicroPython"),
        ({"version": (1, 27, 0)}, "1.28 or newer is needed"),
        ({"platform": "esp32"}, "needs an RP2040 or RP2350"),
        ({"free": 3}, "not enough room"),
    ],
)
def test_a_board_that_will_not_do_is_left_as_it_is(tmp_path, told, said):
    here = board(tmp_path)
    with pytest.raises(UsageError, match=said) as caught:
        install.Installer(FakeTransport(here, told=told)).load(FILES)
    assert "nothing was changed" in str(caught.value) and content(here) == OLD


def test_a_wrong_interpreter_is_told_how_to_be_mended():
    bad = install.Board("circuitpython", (9, 2, 0), "RP2040", "x", 4096, 300)
    with pytest.raises(UsageError, match="copy MicroPython's UF2"):
        install.refuse_wrong(bad)


def test_what_comes_over_wrong_is_never_put_in_place(tmp_path):
    class Bends(FakeTransport):
        def exec(self, command, data_consumer=None):
            done = super().exec(command, data_consumer)
            if "f.close()" in command:
                for path in self.root.glob("load-*"):
                    path.write_bytes(path.read_bytes()[:-1] + b"?")
            return done

    here = board(tmp_path)
    with pytest.raises(LinkError, match="came over wrong; the old firmware is whole"):
        install.Installer(Bends(here)).load(FILES)
    assert {n: d for n, d in content(here).items() if not n.endswith(".new")} == OLD


def test_a_file_that_is_wrong_after_the_exchange_is_told(tmp_path):
    class Spoils(FakeTransport):
        def exec(self, command, data_consumer=None):
            done = super().exec(command, data_consumer)
            if "'finish'" in command:
                (self.root / "core/link.py").write_bytes(b"bent")
            return done

    with pytest.raises(LinkError, match=r"core/link\.py is not as it should be"):
        install.Installer(Spoils(board(tmp_path))).load(FILES)


def test_room_is_counted_in_blocks():
    block = 4096
    assert [pack.data_blocks(n, block) for n in (0, 512, 513, 4088, 4089, 8176, 8177)] == [0, 0, 1, 1, 2, 2, 3]
    # pack 2, finisher 1, largest 3, reserve 3; of three blocks of data for four one is left, which the folder's own
    # two for 200 more bytes of small files outweigh by one
    assert pack.blocks_needed(5000, [9000, 300], [16_000, 100], block) == 2 + 1 + 3 + 3 + 1
    assert pack.blocks_needed(5000, [9000], [16_000], block) == 2 + 1 + 3 + 3
    assert pack.blocks_needed(5000, [9000], [], block) == 2 + 1 + 3 + 3 + 3


def test_the_same_files_make_the_same_pack_and_others_another_name():
    first, again = pack.make(FILES, True), pack.make(dict(FILES), True)
    other = pack.make({**FILES, "board.py": b"board 3\n"}, True)
    assert first == again and pack.name_of(first) != pack.name_of(other)
    assert zlib.decompress(first) == pack.make(FILES, False)
    assert pack.name_of(first) == f"load-{hashlib.sha256(first).hexdigest()[:8]}.new"


def test_no_port_and_no_prompt_are_one_line_each(capsys):
    with pytest.raises(LinkError, match="cannot be opened"):
        install.open_prompt("/dev/no-such-port")
    assert capsys.readouterr().out == ""
