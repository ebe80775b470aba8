"""Estimates of the analysis as labelled numbers: value, interval, n, unit and the phrase that the page prints."""

import math

from . import words
from .heads import PAIR
from .shares import share_estimate

PATH_WORDS = {
    "beam_flash": "from the beam's break to the light",
    "beam_camera": "from the beam's break to the light, through the camera",
    "shot_flash": "from the test shot to the light",
    "break_unit": "from the true break to the trigger unit's output",
}
TIME_OF_DAY = {
    "unknown": " (time of day unknown)",
    "partly": " (with the part of it whose time of day is unknown)",
}


def plain(thing):
    """The same thing with numpy scalars as numbers, tuples as lists, and NaN or infinity as None."""
    if isinstance(thing, dict):
        return {str(k): plain(v) for k, v in thing.items()}
    if isinstance(thing, (list, tuple)):
        return [plain(v) for v in thing]
    if hasattr(thing, "item") and not isinstance(thing, (str, bytes)):
        thing = thing.item()
    if isinstance(thing, float) and not math.isfinite(thing):
        return None
    return thing


def labelled(label: str, estimate: dict | None, unit: str, scale: float = 1.0, group: str = "") -> dict:
    """One number of the page. Values are scaled into `unit`."""
    e = estimate or {}
    out: dict = {"group": group, "label": label, "unit": unit, "text": words.estimate_text(estimate, unit, scale)}
    for key in ("value", "lo", "hi"):
        out[key] = e[key] * scale if words.finite(e.get(key)) else None
    out["n"] = e.get("n")
    out["level"] = e.get("level", 0.95) if out["value"] is not None else None
    return out


def counted(label: str, value: int, unit: str, text: str | None = None, group: str = "") -> dict:
    """A count: it has no interval, and is its own number of cases."""
    one = unit.removesuffix("s") if value == 1 else unit
    said = text if text is not None else f"{words.number(value)} {one}".strip()
    return {
        "group": group,
        "label": label,
        "unit": unit,
        "text": said,
        "value": value,
        "lo": None,
        "hi": None,
        "n": value,
        "level": None,
    }


def all_numbers(est: dict, caught: dict[str, int]) -> dict[str, dict]:
    """Every number of the night by key, in the order in which the page shows them."""
    out: dict[str, dict] = {}
    out |= visit_numbers(est)
    out |= caught_numbers(caught)
    out |= latency_numbers(est.get("latency") or {})
    out |= chain_numbers(est)
    out |= miss_numbers(est)
    out |= recycle_numbers(est.get("recycle") or {})
    out |= supply_numbers(est.get("supply") or {})
    return out


def visit_numbers(est: dict) -> dict[str, dict]:
    """Count, pause, rate and best rate of the visits, labelled."""
    v, out = est.get("visits") or {}, {}
    if v:
        lo, hi = sorted((v.get("n_narrow", v["n"]), v.get("n_wide", v["n"])))
        spread = (
            f"{words.number(v['n'])} ({words.number(lo)} to {words.number(hi)} with a pause 1.4 or 0.7 times as long)"
        )
        out["visits"] = counted("Visits", v["n"], "visits", spread, "visits") | {"lo": lo, "hi": hi}
        if words.finite(v.get("criterion_s")):
            how = v.get("criterion_source", "")
            how_words = "fitted to this night's gaps" if how == "fitted" else "assumed"
            gaps = "gap" if v.get("n_gaps") == 1 else "gaps"
            text = f"{words.number(v['criterion_s'], 2)} s ({how_words}, n = {words.number(v.get('n_gaps', 0))} {gaps})"
            out["pause"] = counted("Pause that parts two visits", v["criterion_s"], "s", text, "visits") | {
                "n": v.get("n_gaps", 0)
            }
    rates = est.get("rates") or {}
    if rates.get("session_per_h"):
        label = "Visits per hour of sight, whole night" + TIME_OF_DAY.get(rates.get("time_of_day", ""), "")
        out["rate"] = labelled(label, rates["session_per_h"], "per h", group="visits")
    best = est.get("best_window") or {}
    if best.get("rate_per_h"):
        label = f"Visits per hour in the best {words.hours(best.get('length_s', 7200))}"
        out["best_rate"] = labelled(label, best["rate_per_h"], "per h", group="visits")
    return out


def caught_numbers(caught: dict[str, int]) -> dict[str, dict]:
    """Visits with light: all heads at least once, or at least some."""
    n = sum(caught[k] for k in ("yes", "partly", "no"))
    if not n:
        return {}
    full = labelled(
        "Visits at which all heads lit at least once", share_estimate(caught["yes"], n), "%", 100.0, "visits"
    )
    some = labelled("Visits without any light", share_estimate(caught["no"], n), "%", 100.0, "visits")
    return {"caught": full | {"count": caught["yes"]}, "uncaught": some | {"count": caught["no"]}}


def latency_numbers(latency: dict) -> dict[str, dict]:
    """Median and tail of each path and head, and the skews, labelled; milliseconds and microseconds."""
    out = {}
    for path, found in latency.items():
        way = PATH_WORDS.get(path, path)
        for head, q in (found.get("heads") or {}).items():
            out[f"delay_{path}_{head}_median"] = labelled(
                f"{words.head_name(head)}: median delay {way}", q.get("median"), "ms", 1e-3, "delay"
            )
            out[f"delay_{path}_{head}_p95"] = labelled(
                f"{words.head_name(head)}: 95 % of delays are below", q.get("p95"), "ms", 1e-3, "delay"
            )
        first = found.get("first_us") or {}
        if first:
            note = "first light of any head: median delay (its interval is too narrow where heads drop out)"
            out[f"delay_{path}_first_median"] = labelled(note, first.get("median"), "ms", 1e-3, "delay")
            out[f"delay_{path}_first_p95"] = labelled(
                "first light of any head: 95 % are below", first.get("p95"), "ms", 1e-3, "delay"
            )
        for pair, skew in (found.get("skew_us") or {}).items():
            later, _, earlier = pair.partition(PAIR if PAIR in pair else "-")
            out[f"skew_{path}_{pair}"] = labelled(
                f"{later} lights after {earlier} by (median of pairs)", skew, "µs", 1.0, "delay"
            )
    return out


def chain_numbers(est: dict) -> dict[str, dict]:
    """Where the delay comes from and how steady it is: the camera's part, drift, late answers, frames."""
    out = {}
    for path, found in (est.get("latency") or {}).items():
        for key, way in (
            ("beam_to_sync_us", "from the break to the camera's contact"),
            ("sync_to_light_us", "from the camera's contact to the light"),
        ):
            for q, said in (("median", "median"), ("p95", "95 % are below")):
                if found.get(key):
                    out[f"chain_{path}_{key}_{q}"] = labelled(
                        f"Delay {way}: {said}", found[key][q], "ms", 1e-3, "delay"
                    )
        if found.get("drift"):
            label = "Delay late in the night less that early in it (medians of thirds)"
            out[f"chain_{path}_drift"] = labelled(label, found["drift"], "µs", 1.0, "delay")
        for mode in found.get("modes") or []:
            if mode.get("what") == "late":
                out[f"chain_{path}_late"] = labelled(
                    "Late answers (a command sent twice)", mode["share"], "%", 100.0, "delay"
                )
    frames = est.get("frames") or {}
    if frames.get("n"):
        out["frames"] = counted("Frames opened", frames["n"], "frames", group="frames")
        out["frames_kept"] = labelled(
            "Frames with exactly one firing, of a visit", frames.get("kept_share"), "%", 100.0, "frames"
        )
    return out


def miss_numbers(est: dict) -> dict[str, dict]:
    """Misses and their share, labelled."""
    fires, misses, out = est.get("fires") or {}, est.get("misses") or {}, {}
    if fires:
        out["fires"] = counted("Firings seen", fires.get("n", 0), "firings", group="flash")
        out["interference"] = counted("Lights without a break", fires.get("interference", 0), "lights", group="flash")
    if misses:
        n, of = misses.get("n", 0), misses.get("watched_breaks", 0)
        said = f"{words.number(n)} of {words.number(of)}" if of else "no break by a visitor to answer"
        out["misses"] = counted("Breaks by visitors missed in part or whole", n, "", said, "flash") | {"n": of}
        if of and misses.get("share"):
            out["miss_share"] = labelled("Share missed in part or whole", misses["share"], "%", 100.0, "flash")
    return out


RECYCLE_LABELS = (
    ("r50_s", "{h}: half of the firings succeed after", "s", 1.0),
    ("r95_s", "{h}: 95 % of the firings succeed after (the figure to plan with)", "s", 1.0),
    ("r50_start_s", "{h}: half succeed after, at the start", "s", 1.0),
    ("r50_end_s", "{h}: half succeed after, at the end", "s", 1.0),
    ("growth", "{h}: recycle time at the end against the start", "times", 1.0),
    ("lapse", "{h}: firings lost though charged", "%", 100.0),
)
RECYCLE_COLUMNS = (
    ("r95_s", "ready in 95 % after (plan with this)"),
    ("r50_s", "ready in half after"),
    ("r50_start_s", "half, at the start"),
    ("r50_end_s", "half, at the end"),
    ("growth", "end against start"),
    ("lapse", "lost though charged"),
)


def recycle_numbers(recycle: dict) -> dict[str, dict]:
    """Recycle figures of each head, labelled; seconds."""
    out = {}
    for head, found in recycle.items():
        name = words.head_name(head)
        for key, label, unit, scale in RECYCLE_LABELS:
            if found.get(key):
                out[f"recycle_{head}_{key}"] = labelled(label.format(h=name), found[key], unit, scale, "recycle")
    return out


def heads_tables(section: str, numbers: dict, est: dict) -> list[dict]:
    """Tables with a row per head, for the sections `rig` (delays) and `missed` (recycle times)."""
    if section == "missed":
        heads, columns = list(est.get("recycle") or {}), [c for _, c, *_ in RECYCLE_COLUMNS]
        rows = [
            [words.head_name(h), *(_said(numbers, f"recycle_{h}_{key}") for key, *_ in RECYCLE_COLUMNS)] for h in heads
        ]
        return [{"caption": "Recycle time by head", "columns": ["head", *columns], "rows": rows}] if rows else []
    if section != "rig":
        return []
    tables = []
    for path, found in (est.get("latency") or {}).items():
        rows = [
            [h, *(_said(numbers, f"delay_{path}_{h}_{q}") for q in ("median", "p95"))] for h in found.get("heads") or {}
        ]
        if found.get("first_us"):
            rows.append(
                ["first light of any head", *(_said(numbers, f"delay_{path}_first_{q}") for q in ("median", "p95"))]
            )
        caption = (
            f"Delay {PATH_WORDS.get(path, path)}; the interval of the first light is too narrow where heads drop out"
        )
        tables.append({"caption": caption, "columns": ["head", "median", "95 % are below"], "rows": rows})
    return tables


def _said(numbers: dict, key: str) -> str:
    return numbers[key]["text"] if key in numbers else "not measured"


def supply_numbers(supply: dict) -> dict[str, dict]:
    """Logger's voltage and hours, heads' firings left, labelled."""
    logger, out = supply.get("logger") or {}, {}
    if words.finite(logger.get("end_mv")):
        text = f"{words.volts(logger['start_mv'])} at the start, {words.volts(logger['end_mv'])} at the end"
        out["logger_volts"] = counted("Logger's supply", logger["end_mv"] / 1000, "V", text, "supply") | {"n": None}
    if logger.get("hours_left"):
        label = "Logger: hours of logging left"
        if words.finite(logger.get("cutoff_mv")):
            label += f" until {words.volts(logger['cutoff_mv'])}"
        out["logger_hours"] = labelled(label, logger["hours_left"], "h", 1.0, "supply")
    for head, found in (supply.get("heads") or {}).items():
        who = words.head_name(head)
        for key, label, unit in (("fires_left", "firings left", "firings"), ("fires", "firings so far", "firings")):
            value = found.get(key) if isinstance(found, dict) else None
            if isinstance(value, dict):
                out[f"supply_{head}_{key}"] = labelled(f"{who}: {label}", value, unit, 1.0, "supply")
            elif words.finite(value):
                out[f"supply_{head}_{key}"] = counted(f"{who}: {label}", value, unit, None, "supply")
    return out
