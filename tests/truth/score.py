"""How far an analysis of an invented night is from the truth behind it: plain counts and differences, to be pooled."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from duskgate.analysis.night import Night, analyse

from .night import NAMES, START_UTC_US, TrueNight

SAME_US = 1500  # a break is the same if it begins this close; a bounce or a lost edge can move its start a little


class SiteStandIn:
    """What the analysis reads of a site file."""

    def __init__(self, night: TrueNight, **more):
        heads = None
        if not night.plan.shared_sensors:
            heads = tuple((f"FLASH{i + 1}", (i,)) for i in range(len(night.plan.heads)))
        self.analysis_settings = {"path": night.plan.path, "heads": heads, **more}


def run(true: TrueNight, clock=None) -> tuple[dict, Night]:
    found = analyse(true.rec, clock or true.clock, SiteStandIn(true))
    return score(true, found), found


def score(true: TrueNight, found: Night) -> dict:
    """Counts and differences of one night; keys are read by the tables that pool them."""
    out: dict = defaultdict(float)
    frame = found.tables["breaks"]
    frame = frame[frame["beam"] == "BEAM"]
    index = _same_break(true, frame)
    _kinds(true, frame, index, out)
    _visits(true, frame, index, out)
    _exposure(true, found, out)
    if found.parts.answers.wired:
        _pairs(true, found, frame, index, out)
        _delay(true, found, out)
        _recycle(true, found, out)
        _causes(true, found, frame, index, out)
    return dict(out)


def _same_break(true: TrueNight, frame) -> np.ndarray:
    """Row of the true break for each break found, -1 none. Compared in board time, so that no clock enters."""
    out = np.full(len(frame), -1)
    boot, t_us = frame["boot"].to_numpy(), frame["t_us"].to_numpy()
    for b in range(len(true.boots)):
        mine = np.flatnonzero(boot == b)
        rows = np.flatnonzero((true.breaks["boot"] == b).to_numpy() & true.breaks["logged"].to_numpy())
        if len(mine) == 0 or len(rows) == 0:
            continue
        t = true.clock.board_ns(b, true.breaks["start_s"].to_numpy()[rows]) / 1000
        k = np.clip(np.searchsorted(t, t_us[mine]), 0, len(t) - 1)
        before = np.maximum(k - 1, 0)
        k = np.where(np.abs(t[before] - t_us[mine]) < np.abs(t[k] - t_us[mine]), before, k)
        close = np.abs(t[k] - t_us[mine]) < SAME_US
        out[mine[close]] = rows[k[close]]
    return out


def _kinds(true: TrueNight, frame, index, out) -> None:
    kind = frame["kind"].astype(str).to_numpy()
    truth = np.where(index >= 0, true.breaks["kind"].to_numpy()[index] if len(true.breaks) else "", "")
    logged = true.breaks[true.breaks["logged"]]
    for name in NAMES:
        out[f"kind_tp:{name}"] = ((kind == name) & (truth == name)).sum()
        out[f"kind_found:{name}"] = ((kind == name) & (index >= 0)).sum()
        out[f"kind_true:{name}"] = (logged["kind"] == name).sum()


def _visits(true: TrueNight, frame, index, out) -> None:
    found_visit = frame["visit_id"].to_numpy()
    true_visit = np.where(index >= 0, true.breaks["visit"].to_numpy()[index] if len(true.breaks) else -1, -1)
    logged = true.breaks[true.breaks["logged"] & (true.breaks["kind"] == "visit")]
    size_true = logged.groupby("visit").size()
    at = found_visit >= 0
    size_found = np.bincount(found_visit[at]) if at.any() else np.zeros(0, int)
    both = at & (true_visit >= 0)
    pairs, n = np.unique(np.column_stack([found_visit[both], true_visit[both]]), axis=0, return_counts=True)
    hits = 0
    for (f, v), k in zip(pairs.tolist(), n.tolist(), strict=True):
        hits += k / (size_found[f] + size_true.get(v, 0) - k) > 0.5
    out["visit_tp"], out["visit_found"], out["visit_true"] = hits, len(size_found), len(size_true)


def _exposure(true: TrueNight, found: Night, out) -> None:
    e = found.estimates["exposure"]
    dark = true.scene.dark
    seen = 0.0
    for lo, hi in true.boots:
        part = np.clip(dark, lo, hi)
        seen += float((part[:, 1] - part[:, 0]).sum()) if len(part) else 0.0
    out["dark_true"], out["dark_found"] = seen, e["dark_s"]
    # bins that were watched in part: what the rate says of the whole bin, against all visits that came in it
    rates = found.tables["rates"]
    length = (rates["end_utc_us"] - rates["start_utc_us"]).to_numpy() / 1e6
    part = (rates["exposure_s"] >= 0.25 * length).to_numpy()
    edges = np.append(rates["start_utc_us"], rates["end_utc_us"].iloc[-1:])
    came = np.histogram(START_UTC_US + true.scene.visit_start * 1e6, edges)[0]
    out["corrected"] = float((rates["n"] * length / rates["exposure_s"].clip(1)).to_numpy()[part].sum())
    out["visit_all"] = int(came[part].sum())
    want = "dew" if true.plan.dew else "misaligned" if true.plan.chatter_spells else "clear"
    out["verdict_ok"] = found.estimates["verdict"]["what"] == want


def _pairs(true: TrueNight, found: Night, frame, index, out) -> None:
    fires = found.tables["fires"]
    row_of = dict(zip(frame["break_id"].tolist(), index.tolist(), strict=True))
    truth = _same_fire(true, fires)
    of = np.where(truth >= 0, true.fires["of"].to_numpy()[truth] if len(true.fires) else -1, -2)
    answered = (fires["kind"] == "answered").to_numpy()
    chosen = np.array([row_of.get(b, -1) for b in fires["break_id"]], int)
    whole = np.array([o < 0 or true.breaks["logged"].iat[o] for o in of], bool)
    ok = answered & (fires["break_id"] >= 0).to_numpy() & (truth >= 0)
    out["pair_right"], out["pair_n"] = (ok & (chosen == of)).sum(), ok.sum()
    out["pair_true"] = (whole & (of >= 0)).sum()
    strange = ~answered & (truth >= 0)
    out["stranger_tp"], out["stranger_found"] = (strange & (of == -1)).sum(), strange.sum()
    out["stranger_true"] = (of == -1).sum()


def _same_fire(true: TrueNight, fires) -> np.ndarray:
    out = np.full(len(fires), -1)
    boot, t_us = fires["boot"].to_numpy(), fires["t_us"].to_numpy()
    all_t = true.fires["t_s"].to_numpy()
    for b, (lo, hi) in enumerate(true.boots):
        rows, mine = np.flatnonzero((all_t > lo) & (all_t < hi)), np.flatnonzero(boot == b)
        if len(rows) == 0 or len(mine) == 0:
            continue
        t = true.clock.board_ns(b, all_t[rows]) / 1000
        k = np.clip(np.searchsorted(t, t_us[mine]), 0, len(t) - 1)
        k = np.where(np.abs(t[np.maximum(k - 1, 0)] - t_us[mine]) < np.abs(t[k] - t_us[mine]), np.maximum(k - 1, 0), k)
        close = np.abs(t[k] - t_us[mine]) < 50
        out[mine[close]] = rows[k[close]]
    return out


def population(true: TrueNight, head: int) -> np.ndarray:
    """Quantiles .5 and .95 of a head's delay (us) in the night's own law: normal, a share of it sent a second time."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    plan = true.plan
    # crystal ppm and 72 ns ticks are far below what is asked
    middle = plan.unit_us + plan.heads[head].skew_us + (plan.lag_us if plan.path == "beam_camera" else 0.0)
    sd = np.sqrt(plan.jitter_us**2 + 12.0**2 + (plan.lag_sd_us**2 if plan.path == "beam_camera" else 0.0))
    again = 6000 + 3000 * (np.arange(300) + 0.5) / 300

    def below(x: float, p: float) -> float:
        once, twice = ndtr((x - middle) / sd), ndtr((x - middle - again) / sd).mean()
        return float((1 - plan.retry) * once + plan.retry * twice - p)

    return np.array([brentq(below, middle - 9 * sd, middle + 12_000, args=(p,)) for p in (0.5, 0.95)])


_LAW: dict = {}


def _delay(true: TrueNight, found: Night, out) -> None:
    summary = found.estimates["latency"][true.plan.path]
    of, logged = true.fires["of"].to_numpy(), true.fires["logged"].to_numpy()
    whole = np.array([o >= 0 and true.breaks["logged"].iat[o] for o in of], bool) & logged
    for h in range(len(true.plan.heads)):
        mine = summary["heads"].get(f"FLASH{h + 1}")
        if mine is None or mine["median"]["value"] is None:
            continue
        lag = true.latency_us[whole, h]
        lag = lag[np.isfinite(lag)]
        if (true.plan.name, h) not in _LAW:
            _LAW[true.plan.name, h] = population(true, h)
        for k, (which, p) in enumerate((("median", 0.5), ("p95", 0.95))):
            e = mine[which]
            out[f"{which}_bias:{h}"] = e["value"] - np.quantile(lag, p) if e["value"] is not None else np.nan
            if e["value"] is not None:
                out[f"{which}_cover:{h}"] = e["lo"] - 0.05 <= _LAW[true.plan.name, h][k] <= e["hi"] + 0.05
    for key, e in summary["skew_us"].items():
        a, b = (int(name[5:]) - 1 for name in key.split("-")) if "FLASH" in key and "+" not in key else (None, None)
        if a is not None and e["value"] is not None:
            out[f"skew:{key}"] = e["value"] - (true.plan.heads[a].skew_us - true.plan.heads[b].skew_us)


def _recycle(true: TrueNight, found: Night, out) -> None:
    from .rig import ln_recycle

    fit = found.parts.recycle
    group = fit.report.get("all")
    if group is not None and group["r50_s"]["value"] is not None:
        truth = group_r50(true.plan)
        out["r50_group:0"] = group["r50_s"]["value"] / truth - 1
        out["r50_group_cover:0"] = group["r50_s"]["lo"] <= truth <= group["r50_s"]["hi"]
    for h, head in enumerate(true.plan.heads):
        name = f"FLASH{h + 1}"
        rep = fit.report.get(name)
        if rep is None or rep["r50_s"]["value"] is None:
            continue
        u_end = fit.u_last[(h, 0)]
        for where, u in (("start", 0.0), ("end", u_end)):
            truth = np.exp(ln_recycle(true.plan, head, u))
            e = rep[f"r50_{where}_s"]
            out[f"r50_{where}:{h}"] = e["value"] / truth - 1
            out[f"r50_{where}_cover:{h}"] = e["lo"] <= truth <= e["hi"]
        mid = np.exp(fit.fit.ln_r([fit.unit_of(h, 0)], [u_end / 2])[0])
        out[f"r50_mid:{h}"] = mid / np.exp(ln_recycle(true.plan, head, u_end / 2)) - 1
        r95 = np.exp(ln_recycle(true.plan, head, u_end) + 1.6449 * head.sigma)
        out[f"r95:{h}"] = rep["r95_s"]["value"] / r95 - 1


def group_r50(plan) -> float:
    """Pause (s) after a light of all heads at which any of them lights again in half the cases; cells do not sag."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    def dark(ln_gap: float) -> float:
        each = [1 - (1 - h.lapse) * ndtr((ln_gap - np.log(h.recycle_s)) / h.sigma) for h in plan.heads]
        return float(np.prod(each)) - 0.5

    return float(np.exp(brentq(dark, np.log(0.1), np.log(10.0))))


def _best_radio(true: TrueNight, found: Night, row, lost, commanded) -> tuple[int, int]:
    """(right, all) claims of a lost command by whoever knows the night's own law and the true gaps."""
    from scipy.special import ndtr

    from .rig import ln_recycle

    plan, t = true.plan, true.breaks["start_s"].to_numpy()
    heads = np.array(true.shot.lights.heads).reshape(-1, len(plan.heads))
    q = np.ones(len(row))
    for h, head in enumerate(plan.heads):
        light = np.sort(heads[np.isfinite(heads[:, h]), h])
        k = np.searchsorted(light, t[row])
        gap = t[row] + plan.unit_us / 1e6 + plan.lag_us / 1e6 - np.where(k > 0, light[np.maximum(k - 1, 0)], -1e9)
        ln_r = np.array([ln_recycle(plan, head, n / 1000) for n in k])
        q *= 1 - (1 - head.lapse) * ndtr((np.log(gap) - ln_r) / head.sigma)
    claim = commanded & (plan.radio_miss / (plan.radio_miss + (1 - plan.radio_miss) * q) > 0.5)
    return int((claim & lost).sum()), int(claim.sum())


def _causes(true: TrueNight, found: Night, frame, index, out) -> None:
    cause, outcome = frame["cause"].astype(str).to_numpy(), frame["outcome"].astype(str).to_numpy()
    kind = frame["kind"].astype(str).to_numpy()
    ok = (index >= 0) & (kind == "visit") & (outcome == "none")
    row = index[ok]
    truth = true.breaks["cause"].to_numpy()[row]
    commanded = true.breaks["commanded"].to_numpy()[row] & (true.breaks["outcome"].to_numpy()[row] == "none")
    charged = true.breaks["charged"].to_numpy()[row] > 0
    cause = cause[ok]
    empty = np.isin(truth, ["recycling", "battery"]) | ((truth == "radio") & ~charged)
    said = np.isin(cause, ["recycling", "battery"])
    lost = (truth == "radio") & charged
    out["recharge_tp"], out["recharge_found"] = (said & empty & commanded).sum(), (said & commanded).sum()
    out["recharge_true"] = (empty & commanded).sum()
    out["best_tp"], out["best_found"] = _best_radio(true, found, row, lost & commanded, commanded & (truth != "camera"))
    radio = cause == "radio"
    out["radio_tp"], out["radio_found"] = (radio & lost & commanded).sum(), (radio & commanded).sum()
    out["radio_true"] = (lost & commanded).sum()
    for name in ("battery", "camera"):
        out[f"{name}_tp"] = ((cause == name) & (truth == name)).sum()
        out[f"{name}_found"], out[f"{name}_true"] = (cause == name).sum(), (truth == name).sum()
