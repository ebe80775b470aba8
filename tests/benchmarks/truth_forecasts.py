"""Forecasts on nights whose end is known: fires left of a head's cells, asked at 60 and 80 % of the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from duskgate.analysis.night import analyse

from tests.truth.kinds import PLANS
from tests.truth.night import START_UTC_US, make
from tests.truth.rig import ln_recycle
from tests.truth.score import SiteStandIn

BASE = replace(PLANS["failing"], visits=900.0, resets=0.0)
SHAPES = {
    "exponent 1": replace(BASE, name="e1", power=1.0, growth=0.8),
    "exponent 1.3": replace(BASE, name="e13", power=1.3, growth=0.8),
    "exponent 2.5": replace(BASE, name="e25", power=2.5, growth=0.8),
    "knee": replace(BASE, name="kn", knee=0.6),
}
CAPACITY_SD = 0.08  # the earlier night's cells held more or less


def lines(trials: int, first_seed: int) -> list[tuple]:
    """Rows of the table: number, what, value, target, n."""
    out = []
    for shape, plan in SHAPES.items():
        found: dict = {}
        for k in range(trials):
            for key, error, held in _trial(plan, first_seed + k):
                found.setdefault(key, []).append((error, held))
        for (share, how), pairs in sorted(found.items()):
            error, held = np.array(pairs, float).T
            target = ""
            if share == 0.8:
                target = "<= 20" if how == "template" else "<= 25" if shape != "knee" else "must warn"
            what = f"{shape}, {how}, at {share:.0%}"
            out.append(
                ("4d", f"{what}: p90 of error %", 100 * float(np.quantile(np.abs(error), 0.9)), target, len(error))
            )
            out.append(("4d", f"{what}: interval holds", float(held.mean()), "", len(error)))
    return out


def _trial(plan, seed: int):
    """((share of the way, with or without template), error of all fires, interval holds) of one night."""
    night, rng = make(plan, seed), np.random.default_rng(seed)
    stretch = float(rng.lognormal(0, CAPACITY_SD))
    worn = replace(plan, name=plan.name + "t", growth=plan.growth / stretch**plan.power, knee=plan.knee * stretch)
    earlier = make(worn, seed + 500_000)
    template = analyse(earlier.rec, earlier.clock, SiteStandIn(earlier)).estimates["supply"]["template"]
    track = night.shot.recycle[0]
    end = 0.9 * (len(track) - 1) / 1000
    needed = float(np.exp(ln_recycle(plan, plan.heads[0], end)))
    for share in (0.6, 0.8):
        until = track[int(share * end * 1000)][0]
        window = (START_UTC_US - 1_000_000, START_UTC_US + int(until * 1e6))
        for how, lent in (("alone", None), ("template", template)):
            site = SiteStandIn(night, needed_gap_s=needed)
            found = analyse(night.rec, night.clock, site, window, template=lent)
            left = found.estimates["supply"]["heads"]["FLASH1"]["fires_left"]
            if left["value"] is None:
                continue
            now = 1000 * found.parts.recycle.u_last[(0, 0)]
            held = left["lo"] + now <= 1000 * end <= left["hi"] + now
            yield (share, how), (left["value"] + now) / (1000 * end) - 1, held
