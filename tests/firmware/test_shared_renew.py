"""Folders are written afresh at the start; what that leaves behind when it is cut does no harm."""

import errno

from core.renew import renew
from core.settings import Settings
from core.store import FAILING, Store

from helpers import DictFs, PowerCut


class Counting(DictFs):
    """Counts how often a file was made."""

    made = 0

    def open(self, name, mode):
        if mode == "wb" and name not in self.files:
            self.made += 1
        return DictFs.open(self, name, mode)


def test_as_many_files_are_made_and_removed_as_fill_a_sector():
    fs = Counting()
    fs.mkdir("log")
    assert renew(fs, "log/00000007.new") and fs.made == 8 and not fs.files


def test_an_error_is_tried_again_and_a_dead_store_is_told():
    fs = Counting()
    fs.mkdir("log")
    fs.fail["remove"] = errno.EIO
    assert not renew(fs, "log/00000007.new")
    fs.fail = {"open": 30}
    assert not renew(fs, "log/00000007.new")


def test_a_file_that_a_cut_left_goes_and_others_stay():
    fs = DictFs(files={"log/00000003.new": b"", "log/notes.new": b"x", "log/00000003.seg": b""})
    store = Store(fs)
    assert [segment.number for segment in store.segments] == [3]
    assert sorted(fs.files) == ["log/00000003.seg", "log/notes.new"]


def test_every_pair_of_a_large_folder_is_touched():
    names = ["log/%08d.out" % number for number in range(1, 101)]
    fs = Counting(files=dict.fromkeys(names, b""))
    Store(fs)
    assert fs.made == 8 * 8  # segments 1, 17, .. 97 and the last
    few = Counting(files=dict.fromkeys(names[:40], b""))
    Store(few)
    assert few.made == 8


def test_a_store_that_takes_nothing_starts_all_the_same():
    fs = DictFs(files={"log/00000003.new": b"", "log/00000002.seg": b""})
    fs.fail = {"open": 30, "remove": 30, "rename": 30}
    Settings(fs)
    assert [segment.number for segment in Store(fs).segments] == [2]
    empty = DictFs()
    empty.fail = {"open": 30, "mkdir": 30}
    assert Store(empty).status == FAILING


def test_settings_are_the_same_after_a_cut_in_it():
    fs = DictFs()
    Settings(fs).change("commit_s", 5)
    for cut in range(40):
        dying = fs.after_cut()
        dying.cut_after = cut
        try:
            Settings(dying)
        except PowerCut:
            pass
        assert Settings(dying.after_cut())["commit_s"] == 5
