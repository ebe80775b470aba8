"""Runs lives and cuts their power; MicroPython: driver.py ROOT. One JSON request a line in, one JSON answer a line out.

tree   {"history": [step, ..], "seed": N, "deep": share, "levels": L, "flicker": bool, "most": cuts,
        "from": number of the step at which cuts begin, "fills": whether the store may be full,
        "share": of the first cuts, by chance, that are tried, "only": one shape of the programs}
       every program and erase of the history is cut in every shape. Each cut is tried on a copy of the flash while the
       history stands still: boot, check, log on, boot again, check. A share of these tries is "deep": each of their own
       writes is cut as well, in one shape by chance, down to `levels`.
chain  {"history": [...], "cuts": [[steps until the cut, number of the shape], ..], "seed": N}
       one long life: the power goes again and again, and the history goes on after each boot.
Either with "loads": what the load steps speak of. To see that losses are seen: "unrenewed": true leaves out what
core/renew.py does, "wrong" spoils the end of a tree.
"""

import gc
import json
import random
import sys

sys.path[:0] = [sys.argv[1] + "/firmware", sys.argv[1] + "/tests/powercut"]

from core import settings, store  # noqa: E402
from core.renew import renew as RENEW  # noqa: E402

from flash import Flash, Misuse, shapes_of  # noqa: E402
from life import LOADS, Board, Truth  # noqa: E402

AFTERWARDS = (["commit", 30], ["commit", 440])
MOST_SHOWN = 5


class Counts:
    def __init__(self, request):
        self.levels = [0] * 8
        self.shapes = {}
        self.bad = {"lost": 0, "invented": 0, "changed": 0, "refused": 0, "misuse": 0}
        self.shown = []
        self.tail = self.over_weak = self.commits = 0
        self.most = request.get("most", 1 << 30)

    def total(self):
        return sum(self.levels)

    def wrong(self, kind, text, path):
        self.bad[kind] += 1
        if len(self.shown) < MOST_SHOWN:
            self.shown.append("%s: %s, after %s" % (kind, text, path))

    def facts(self):
        return {
            "levels": self.levels,
            "shapes": self.shapes,
            "bad": self.bad,
            "shown": self.shown,
            "tail": self.tail,
            "over_weak": self.over_weak,
            "commits": self.commits,
        }


class Tree:
    def __init__(self, request):
        self.counts = Counts(request)
        self.deep = request.get("deep", 0)
        self.levels = request.get("levels", 2)
        self.flicker = request.get("flicker", False)
        self.history = request["history"]
        self.sectors = request.get("sectors", 40)
        self.wrong = request.get("wrong")
        self.only = request.get("only")
        self.share = request.get("share", 1)
        self.begin = request.get("from", 0)
        self.good = ("ok", "full") if request.get("fills") else ("ok",)

    def run(self):
        flash, truth = Flash(self.sectors), Truth()
        flash.flicker = self.flicker
        if not self.begin:
            self._cut_all(flash, truth, 1, ())
        board = Board(flash, truth)
        for number, step in enumerate(self.history):
            if number + 1 == self.begin:
                self._cut_all(flash, truth, 1, ())
            if self.counts.total() >= self.counts.most:
                break
            if step[0] == "boot":
                board.off()
                board = Board(flash, truth)
            else:
                board.do(step)
        flash.hook = None
        board.off()
        board = Board(flash, truth)
        if self.wrong:
            spoil(self.wrong, board)
        for kind, text in truth.check(board.fs):
            self.counts.wrong(kind, text, "no cut")
        return self.counts.facts()

    def _cut_all(self, flash, truth, level, path):
        def hook(now, what, sector, offset, page):
            shapes = shapes_of(what)
            if self.only and what == "program":
                shapes = (self.only,)
            if level > 1:
                shapes = (random.choice(shapes),)
            for shape in shapes:
                if level == 1 and random.random() >= self.share:
                    continue
                if self.counts.total() >= self.counts.most:
                    return
                here = path + ("%s of %s %d+%d at step %d" % (shape, what, sector, offset, now.steps),)
                name = what + " " + shape
                self.counts.levels[level] += 1
                self.counts.shapes[name] = self.counts.shapes.get(name, 0) + 1
                self._try(now.after_cut(shape, what, sector, offset, page), truth.copy(), level + 1, here)

        flash.hook = hook

    def _try(self, flash, truth, level, path):
        """The board comes up again and goes on; what was safe has to be there, then and after."""
        counts = self.counts
        if level <= self.levels and random.random() < self.deep:
            self._cut_all(flash, truth, level, path)
        try:
            board = Board(flash, truth)
            hook, flash.hook = flash.hook, None
            errors = truth.check(board.fs)
            counts.tail = max(counts.tail, truth.tail)
            flash.hook = hook
            for step in AFTERWARDS:
                board.do(step)
                if board.store.status not in self.good:
                    errors.append(("refused", "store is " + board.store.status))
            board.off()
            flash.hook = None
            flash.power_up()
            errors += truth.check(Board(flash, truth).fs)
        except Misuse as error:
            errors = [("misuse", str(error))]
        except Exception as error:
            errors = [("refused", repr(error))]
        counts.over_weak += flash.over_weak
        counts.commits += len(truth.commits)
        for kind in {kind for kind, _ in errors}:
            counts.wrong(kind, [text for k, text in errors if k == kind][0], " / ".join(path))


def chain(request):
    """One life with many cuts, none of which is taken back."""
    counts = Counts(request)
    flash, truth, board = Flash(request.get("sectors", 40)), Truth(), None
    cuts, steps = list(request["cuts"]), list(request["history"])
    while True:
        flash.cut_at = cuts.pop(0) if cuts else None
        try:
            board = Board(flash, truth)
            for kind, text in truth.check(board.fs):
                counts.wrong(kind, text, "cut %d of a chain" % counts.levels[1])
            while steps:
                step = steps.pop(0)
                if step[0] == "boot":
                    break
                board.do(step)
            again = bool(steps)
        except Exception as error:
            again = flash.left is not None  # closing a file may fail once the power is gone
            if not again:
                counts.wrong("misuse" if isinstance(error, Misuse) else "refused", repr(error), "a chain")
        counts.levels[1] += flash.left is not None
        if flash.board:
            flash.board.off()
        counts.tail = max(counts.tail, truth.tail)
        flash = flash.left or flash.copy()
        flash.power_up()
        if not again and not cuts:
            break
    for kind, text in truth.check(Board(flash, truth).fs):
        counts.wrong(kind, text, "a chain")
    counts.commits = len(truth.commits)
    return counts.facts()


def spoil(wrong, board):
    """What the check has to see."""
    fs, truth = board.fs, board.truth
    if wrong == "drop":
        truth.commits.insert(len(truth.commits), (b"12345678", truth.commits[-1][1]))
    elif wrong == "add":
        truth.commits.pop()
    else:
        name = sorted(name for name in fs.listdir("log") if name[8:] == ".out")[0]
        fs.rename("log/" + name, "log/" + name[:8] + ".seg")


def answer(request):
    random.seed(request["seed"])
    LOADS.update(request.get("loads", {}))
    store.renew = settings.renew = (lambda fs, name: True) if request.get("unrenewed") else RENEW
    return chain(request) if "cuts" in request else Tree(request).run()


def main():
    for line in sys.stdin:
        found = answer(json.loads(line))
        print(json.dumps(found))
        gc.collect()


main()
