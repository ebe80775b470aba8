"""Each step of a night's analysis, in edges a second: nights of 20,000, 200,000 and 2,000,000 edges.

The baseline is `np.sort` of the same edges' times, shuffled. The slope is that of ln time against ln edges, between
the first and the last size: 1 where twice the edges take twice the time. A step's own seconds are counted, without
those of the steps that it calls, of the processor and of this thread alone.
"""

from __future__ import annotations

import gc
import importlib
import os
import time
from collections import defaultdict
from contextlib import ExitStack, contextmanager
from unittest import mock

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from duskgate.analysis.night import analyse

from tests.benchmarks.long_night import long_night
from tests.benchmarks.rows import Row

SIZES = (20_000, 200_000, 2_000_000)
TURNS = (3, 2, 1)
SLOPE = 1.1
SLIGHT = 0.02  # of the longest night: a step of less is not judged by its slope
# step -> the functions in which its time is spent, as module and name; they are timed where they are called
STEPS = {
    "cut to the night": ["night.cut"],
    "breaks": ["parts.beam_breaks"],
    "kinds of breaks": ["kinds.classify"],
    "pauses between visits": ["bouts.criterion"],
    "dew and flicker": ["dew.near_darkness", "dew.flicker"],
    "visits": ["visits.number_visits", "visits.summary"],
    "lights": ["lights.flash_events", "lights.head_groups", "light_ends.of_head", "light_ends.unseen"],
    "delay: breaks and their lights": ["triggers.match"],
    "frames": ["frames.sync_frames"],
    "recycle: trials": ["recycle_data.trials", "unseen_heads.after_full_light"],
    "recycle: fit": ["recycle.estimate_recycle"],
    "misses": ["misses.judge"],
    "exposure": ["exposure.measure", "exposure.summary"],
    "tables": ["night_tables.build"],
    "rates": ["rates.night_rates", "rates.around_refills"],
    "best window": ["rates.best_window"],
    "delay: figures": ["delay.delay_summary"],
    "supply of the logger": ["supply.logger_supply"],
    "supply of the heads": ["forecast.head_forecasts"],
}
REST = "the rest"


class Watch:
    """Own seconds of each step: a step that calls another one is stopped meanwhile."""

    def __init__(self):
        self.own: dict[str, float] = defaultdict(float)
        self._open: list[str] = []
        self._since = 0.0

    @contextmanager
    def step(self, name: str):
        """Counts what is done inside to that step."""
        self._turn()
        self._open.append(name)
        try:
            yield
        finally:
            self._turn()
            self._open.pop()

    def _turn(self) -> None:
        now = time.thread_time()
        if self._open:
            self.own[self._open[-1]] += now - self._since
        self._since = now

    def timed(self, name: str, call):
        """The same function, counted to a step."""

        def inner(*given, **named):
            with self.step(name):
                return call(*given, **named)

        return inner


def own_seconds(night) -> dict[str, float]:
    """Seconds of each step of one analysis."""
    watch = Watch()
    with ExitStack() as stack:
        for name, places in STEPS.items():
            for place in places:
                module, function = place.split(".")
                there = importlib.import_module(f"duskgate.analysis.{module}")
                call = watch.timed(name, getattr(there, function))
                for user in users(function, getattr(there, function)):
                    stack.enter_context(mock.patch.object(user, function, call))
        gc.collect()
        with watch.step(REST):
            analyse(night.rec, night.clock)
    return dict(watch.own)


def users(name: str, function) -> list:
    """Modules of the analysis that know the function by that name: some import it, some its module."""
    import sys

    rooms = [m for key, m in list(sys.modules.items()) if key.startswith("duskgate.analysis")]
    return [m for m in rooms if getattr(m, name, None) is function]


def sort_seconds(night) -> float:
    """Seconds that numpy takes to sort the edges' times out of order."""
    t = np.random.default_rng(1).permutation(night.rec.edges["t_ns"].to_numpy())
    start = time.thread_time()
    np.sort(t)
    return time.thread_time() - start


def rows() -> list[Row]:
    """One row a step, and one for all of them."""
    least: list[dict[str, float]] = []
    for size, turns in zip(SIZES, TURNS, strict=True):
        night = long_night(size)
        took = [own_seconds(night) | {"sort": min(sort_seconds(night) for _ in range(3))} for _ in range(turns)]
        least.append({name: min(t.get(name, 0.0) for t in took) for name in {*took[0], "sort"}})
    for found in least:
        found["all steps"] = sum(t for name, t in found.items() if name != "sort")
    return [_row(name, [t.get(name, 0.0) for t in least], least[-1]) for name in (*STEPS, REST, "all steps")]


def _row(name: str, seconds: list[float], longest: dict[str, float]) -> Row:
    counts = np.array(SIZES)
    took = np.maximum(seconds, 1e-5)
    slope = float(np.log(took[-1] / took[0]) / np.log(counts[-1] / counts[0]))
    speed = ", ".join(f"{n / t / 1e6:.2g}" for n, t in zip(counts, took, strict=True))
    judged = took[-1] >= SLIGHT * longest["all steps"]
    return Row(
        f"{name}: 20 k, 200 k, 2 M edges", f"{speed} M edges/s; slope {slope:.2f}",
        f"`np.sort` of 2 M times, {longest['sort']:.2f} s", float(took[-1] / longest["sort"]),
        budget=f"slope at most {SLOPE}" if judged else "", met=slope <= SLOPE if judged else None,
    )  # fmt: skip
