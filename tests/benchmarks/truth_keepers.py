"""Keepers on nights of known truth, and the closed forms against drawn windows: what `truth_table.py` prints of them.

What the log allowed is compared with frames laid over the true fires, opened again and again from many first moments.
The shutter time that a log recommends is judged by what the true fires allowed at the best time.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

import numpy as np
from duskgate.analysis.night import analyse
from duskgate.plan import keepers, shutter

from tests.truth.kinds import PLANS
from tests.truth.night import START_UTC_US, TrueNight, make
from tests.truth.score import SiteStandIn

KINDS = ("calm", "busy", "lingering", "rain", "failing", "misaligned", "resets")
PAUSE_S = 0.5
OPEN_S = (1.0, 2.0, 4.0, 8.0)
WHAT_IF_S = (2.0, 8.0)
PHASES = 20
EARLIER = (1, 5)  # nights from which a time is recommended for others
WINDOWS = 400_000
# (events a second, dead time s, shutter s)
FORMS = [(r, d, t) for r in (0.02, 0.2, 1.0) for d in (0.0, 0.9, 2.5) for t in (0.5, 1.5, 4.0, 8.0)]


def lines(trials: int, first_seed: int, jobs: int | None = 1) -> list[tuple]:
    """Rows of the table: number, what, value, target, n. jobs: kinds of night scored at once."""
    worst = max(max(form_errors(*form, np.random.default_rng([first_seed, k]))) for k, form in enumerate(FORMS))
    out = [("6a", "closed forms, largest difference from drawn windows", worst, "<= 0.005", len(FORMS) * WINDOWS)]
    with ProcessPoolExecutor(jobs) as pool:
        each = pool.map(kind_lines, KINDS, repeat(trials), repeat(first_seed))
        return out + [line for rows in each for line in rows]


def form_errors(rate: float, dead: float, open_s: float, rng, windows: int = WINDOWS) -> list[float]:
    """|closed form - share of drawn windows| for no fire and one fire, from a random moment and from charged."""
    fires = np.cumsum(rng.exponential(1 / rate, 3 * windows) + dead)
    at = rng.uniform(fires[0], fires[-1] - open_s, windows)
    count = np.searchsorted(fires, at + open_s) - np.searchsorted(fires, at)
    gaps = rng.exponential(1 / rate, (windows, 2))
    ready = (gaps[:, 0] < open_s).astype(int) + (gaps.sum(1) + dead < open_s)  # two are told from one; more are two
    return [
        abs(float(p(rate, dead, open_s, charged)) - float((c == k).mean()))
        for charged, c in ((False, count), (True, ready))
        for k, p in enumerate((shutter.p_none, shutter.p_one))
    ]


def true_fires(night: TrueNight) -> keepers.NightFires:
    """Every fire that happened, logged or not, with the true visit of its break."""
    t, of = night.fires["t_s"].to_numpy(float), night.fires["of"].to_numpy(int)
    order = np.argsort(t)
    breaks = night.breaks
    visit = np.where(breaks["kind"] == "visit", breaks["visit"], -1) if len(breaks) else np.zeros(0, int)
    mine = np.array([visit[k] if k >= 0 else -1 for k in of], int)
    return keepers.NightFires(t[order], mine[order], 0.0, night.plan.length)


def logged_fires(night: TrueNight) -> keepers.NightFires:
    """The same as the analysis finds it in the log."""
    tables = analyse(night.rec, night.clock, SiteStandIn(night)).tables
    return keepers.night_fires(tables, START_UTC_US, START_UTC_US + int(night.plan.length * 1e6))


def framed(fires: keepers.NightFires, open_s: float, pause_s: float, phases: int = PHASES) -> float:
    """Keepers of a shutter that opens all night, mean over first moments; every frame is looked into."""
    step, f, kept = open_s + pause_s, fires.fire_s, 0
    own = np.concatenate([[0], np.cumsum(fires.visit >= 0)])
    for k in range(phases):
        opens = np.arange(fires.lo_s + step * k / phases, fires.hi_s - open_s, step)
        a, b = np.searchsorted(f, opens), np.searchsorted(f, opens + open_s)
        kept += int(((b - a == 1) & (own[b] - own[a] == 1)).sum())
    return kept / phases


def kind_lines(kind: str, trials: int, first_seed: int) -> list[tuple]:
    """Rows of one kind of night."""
    nights = [make(kind, first_seed + k) for k in range(trials)]
    true, found = [true_fires(n) for n in nights], [logged_fires(n) for n in nights]
    hours = PLANS[kind].length / 3600
    out = []
    for t in OPEN_S:
        each = [keepers.allowed(f, t, PAUSE_S) for f in found]
        said = [3600 * e["keepers"] / e["watched_s"] * hours for e in each]
        real = [framed(f, t, PAUSE_S) for f in true]
        bias = 100 * (sum(said) / sum(real) - 1)
        out.append(("6b", f"{kind}: keepers allowed at {t:g} s, error %", bias, "within 3", len(nights)))
        if t in WHAT_IF_S:
            error = 100 * (keepers.what_if(keepers.visiting(found), t, PAUSE_S) * hours * len(nights) / sum(real) - 1)
            out.append(("", f"{kind}: keepers by the what-if at {t:g} s, error %", error, "", len(nights)))
    truth, seen = keepers.curve(true, PAUSE_S), keepers.curve(found, PAUSE_S)
    for how, lost in (("its own log", _lost_own(truth, seen)), ("what-if of its log", _lost_what_if(truth, found))):
        out.append(("6c", f"{kind}: keepers lost by the time from {how}, %", 100 * lost, "<= 3", len(nights)))
    for earlier in EARLIER:
        lost, n = _lost_earlier(truth, found, earlier)
        if n:
            what = f"{kind}: the same on other nights, from {earlier} alone, %"
            out.append(("6c", what, 100 * lost, "<= 3", n))
    return out


def _loss(per_h: np.ndarray, at: float | None, open_s: np.ndarray) -> float:
    return 1.0 if at is None else 1 - float(per_h[np.flatnonzero(open_s == at)[0]] / per_h.max())


def _lost_own(truth: keepers.Curve, seen: keepers.Curve) -> float:
    """Share of all true keepers of the nights that the time from their pooled log forgoes."""
    at = keepers.best(seen.open_s, seen.per_h())["open_s"]
    return _loss(truth.per_h(), at, truth.open_s)


def _lost_what_if(truth: keepers.Curve, found: list) -> float:
    at = keepers.best(truth.open_s, keepers.what_if_curve(keepers.visiting(found), PAUSE_S))["open_s"]
    return _loss(truth.per_h(), at, truth.open_s)


def _lost_earlier(truth: keepers.Curve, found: list, earlier: int) -> tuple[float, int]:
    """Mean loss on all other nights, the time taken from so many nights' what-if alone; and how many such trials."""
    lost = []
    for k in range(0, len(found) - earlier, earlier):
        v = keepers.visiting(found[k : k + earlier])
        at = keepers.best(truth.open_s, keepers.what_if_curve(v, PAUSE_S))["open_s"]
        rest = np.setdiff1d(np.arange(len(found)), np.arange(k, k + earlier))
        lost.append(_loss(truth.keepers[rest].sum(0), at, truth.open_s))
    return float(np.mean(lost)) if lost else float("nan"), len(lost)
