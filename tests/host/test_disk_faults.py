"""A disk that is full, read-only or laid with links: every write ends whole or not at all, inside its folder."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from duskgate.cli import demo
from duskgate.errors import UsageError
from duskgate.logfile import safewrite
from duskgate.logfile.archive import Logbook, SegmentPiece
from duskgate.logfile.partfile import PartFile, PartPiece
from duskgate.tables import write_whole
from duskgate.virtual.scene_site import site_text
from duskgate.virtual.scenes import make

from tests import fakes
from tests.host.test_archive_logbook import BOARD, header

BODY = fakes.night_blocks(3)
linked = pytest.mark.skipif(not hasattr(os, "O_NOFOLLOW"), reason="no links of this kind here")


@linked
def test_a_link_in_the_place_of_the_part_file_is_not_followed(tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_bytes(b"somebody's own")
    (tmp_path / "book").mkdir()
    part = Logbook(tmp_path / "book").part(BOARD)
    part.path.symlink_to(outside)
    for act in (part.load, lambda: part.append(PartPiece(1, 0, b"x"))):
        with pytest.raises(UsageError, match=r"\.part"):
            act()
    assert outside.read_bytes() == b"somebody's own"


@linked
def test_links_in_the_place_of_lock_and_temporary_file_are_not_followed(tmp_path):
    outside, book = tmp_path / "outside.txt", tmp_path / "book"
    book.mkdir()
    (book / ".lock").symlink_to(outside)
    with pytest.raises(UsageError, match="cannot be written"), Logbook(book).lock():
        pass
    assert not outside.exists()
    outside.write_bytes(b"own")
    (book / ".duskgate-a.dgl.tmp").symlink_to(outside)
    safewrite.write_new(book / "a.dgl", b"new")
    assert outside.read_bytes() == b"own" and (book / "a.dgl").read_bytes() == b"new"
    assert not (book / "a.dgl").is_symlink()


def test_a_link_counts_as_a_file_that_is_there(tmp_path):
    (tmp_path / "night.html").symlink_to(tmp_path / "nowhere")
    with pytest.raises(UsageError, match="exists already"):
        write_whole(tmp_path / "night.html", b"page")
    assert (tmp_path / "night.html").is_symlink() and not (tmp_path / "nowhere").exists()


def test_folders_and_pipes_named_like_logs_do_not_stop_a_pull(tmp_path):
    book = Logbook(tmp_path)
    (tmp_path / "a.dgl").mkdir()
    (tmp_path / "b.dgl").symlink_to(tmp_path / "gone")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "c.dgl")
    path = book.add(header(), [SegmentPiece(1, 0, BODY)], "2025-06-15")
    assert book.files() == [path] and book.have(BOARD) == {1: len(BODY)}


def test_a_log_that_cannot_be_read_is_not_held_and_said(tmp_path, monkeypatch):
    book = Logbook(tmp_path)
    book.add(header(), [SegmentPiece(1, 0, BODY)], "2025-06-15")
    real = Path.read_bytes

    def broken(self):
        if self.suffix == ".dgl":
            raise OSError(errno.EIO, "Input/output error")
        return real(self)

    monkeypatch.setattr(Path, "read_bytes", broken)
    holding = book.holding(BOARD)
    assert holding.segments == {} and "Input/output error" in holding.unsound[0]


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENOTSUP])
def test_a_file_system_that_cannot_flush_folders_will_do(tmp_path, monkeypatch, number):
    real = os.fsync

    def only_files(handle):
        if os.path.isdir(f"/proc/self/fd/{handle}") or os.path.isdir(f"/dev/fd/{handle}"):
            raise OSError(number, "no")
        real(handle)

    monkeypatch.setattr(safewrite.os, "fsync", only_files)
    assert Logbook(tmp_path).add(header(), [SegmentPiece(1, 0, BODY)], "2025-06-15").exists()


def test_a_disk_that_takes_a_part_of_a_write_is_asked_again(tmp_path, monkeypatch):
    class Short:
        def __init__(self, file):
            self.file = file

        def __enter__(self):
            return self

        def __exit__(self, *exc):
            self.file.close()

        def write(self, data):
            return self.file.write(data[:7])

    part = PartFile(tmp_path / ".x.part")
    real = part._written
    monkeypatch.setattr(part, "_written", lambda mode: Short(real(mode)))
    part.append(PartPiece(1, 0, BODY[:100]))
    assert [p.data for p in PartFile(part.path).load()] == [BODY[:100]]


LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
from pathlib import Path
from duskgate.errors import UsageError
from duskgate.logfile.archive import Logbook, SegmentPiece
from duskgate.logfile.partfile import PartFile, PartPiece
from duskgate.tables import write_whole
from tests.host.test_archive_logbook import header
from tests.host.test_disk_faults import BODY
top = Path(sys.argv[1])
acts = [
    lambda: Logbook(top).add(header(), [SegmentPiece(1, 0, BODY)], "2025-06-15"),
    lambda: PartFile(top / ".x.part").append(PartPiece(1, 0, BODY)),
    lambda: write_whole(top / "page.html", BODY),
    lambda: Logbook(top).keep_site("2025-06-15", BODY),
]
for act in acts:
    try:
        act()
        print("written")
    except UsageError as error:
        assert "\\n" not in str(error)
        print("refused")
"""


@pytest.mark.skipif(os.name == "nt", reason="no such limit here")
def test_a_limit_on_the_size_of_files_leaves_nothing_half_made(tmp_path):
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path), str(len(BODY) // 2)],
        cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.split() == ["refused"] * 4
    assert [p.name for p in tmp_path.iterdir()] == [".x.part"] and PartFile(tmp_path / ".x.part").load() == []


def test_an_interrupted_write_takes_its_temporary_file_away(tmp_path, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("duskgate.tables.os.replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "page.html", b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_demo_takes_away_nothing_that_a_person_wrote(tmp_path):
    plan = make("border-night", 1).plan
    (tmp_path / "site.toml").write_text("name = 'my own garden'\n")
    with pytest.raises(UsageError, match="not from a demo"):
        demo.make_ready(tmp_path, plan.board, True)
    assert (tmp_path / "site.toml").read_text() == "name = 'my own garden'\n"
    (tmp_path / "site.toml").write_text(site_text(plan))
    (tmp_path / "night-2026-06-14.html").write_text("mine")
    with pytest.raises(UsageError, match="no demo's log"):
        demo.make_ready(tmp_path, plan.board, True)
    (tmp_path / "night-2026-06-14.html").unlink()
    demo.make_ready(tmp_path, plan.board, True)
    assert not (tmp_path / "site.toml").exists()
