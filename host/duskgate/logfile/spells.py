"""Times in which a logger could not see: told by it, or to be concluded from its counts of what was lost."""

from __future__ import annotations

import numpy as np
import pandas as pd

from duskgate.logfile.recording import MISSING, OVERRUN, STORE, category, table

__all__ = ["MISSING", "OVERRUN", "STORE", "frame", "from_counts", "sorted_table"]

COUNTS = {"lost_edges": OVERRUN, "fifo_drops": OVERRUN, "store_lost": STORE}


def frame(boot: np.ndarray, from_ns: np.ndarray, to_ns: np.ndarray, why: str) -> pd.DataFrame:
    """Blind spells as a table: boot, from_ns, to_ns (int64 arrays of one length), and why in one word for all."""
    boot = np.asarray(boot)
    return table("blind", boot=boot, from_ns=from_ns, to_ns=to_ns, why=category("blind", "why", [why] * len(boot)))


def sorted_table(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Several tables of spells as one, by boot and begin."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return table("blind")
    return pd.concat(parts, ignore_index=True).sort_values(["boot", "from_ns"], kind="stable", ignore_index=True)


def from_counts(
    readings: pd.DataFrame, first_ns: np.ndarray, told: pd.DataFrame, running_on: bool = False
) -> pd.DataFrame:
    """A spell wherever a count of losses grew: some time between the reading before and the one that tells it.

    readings: as fields.RECORDING. first_ns: start of each boot. told: spells that the logger dated itself; a growth
    of a stamper count that has one of them inside it is explained by it. running_on: the counts go on over boots
    (captures) instead of starting at 0 in each.
    """
    out = []
    for kind, why in COUNTS.items():
        rows = readings[readings["kind"] == kind]
        if not len(rows):
            continue
        value, boot = rows["value"].to_numpy(), rows["boot"].to_numpy()
        before = np.empty_like(value)
        before[0] = value[0] if running_on else 0
        before[1:] = value[:-1]
        if not running_on:
            before[1:][boot[1:] != boot[:-1]] = 0
        grew = value > before
        boot, to_ns = boot[grew], rows["t_ns"].to_numpy()[grew]
        from_ns = _reading_before(readings, boot, to_ns, first_ns)
        if why == OVERRUN:
            free = ~_touches(told, boot, from_ns, to_ns)
            boot, from_ns, to_ns = boot[free], from_ns[free], to_ns[free]
        out.append(frame(boot, from_ns, to_ns, why))
    return sorted_table(out)


def holes_of_the_store(missing: pd.DataFrame, counted: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Blocks that the board itself could not store leave a hole too: where its own count of lost records grew around a
    hole, the hole is that loss, and dates it better than the count does."""
    lost = counted[counted["why"] == STORE]
    if not len(lost) or not len(missing):
        return missing, counted
    known = _touches(lost, *(missing[name].to_numpy() for name in ("boot", "from_ns", "to_ns")))
    dated = _touches(missing, *(lost[name].to_numpy() for name in ("boot", "from_ns", "to_ns")))
    why = np.where(known, STORE, missing["why"].astype(str))
    return missing.assign(why=category("blind", "why", why)), counted.drop(index=lost.index[dated])


def _reading_before(readings: pd.DataFrame, boot: np.ndarray, t_ns: np.ndarray, first_ns: np.ndarray) -> np.ndarray:
    """Time of the last round of readings before each time: losses are told with the round after them."""
    rounds = readings[readings["kind"].isin(["battery_mv", "temp_c100", *COUNTS])]
    at_boot, at_ns = rounds["boot"].to_numpy(), rounds["t_ns"].to_numpy()
    out = np.minimum(first_ns[boot], t_ns) if len(boot) else np.empty(0, np.int64)
    earlier = _rows_before(at_boot, at_ns, boot, t_ns) - 1
    ok = earlier >= np.searchsorted(at_boot, boot)
    out[ok] = np.maximum(out[ok], at_ns[earlier[ok]])
    return out


def _rows_before(
    row_boot: np.ndarray, row_ns: np.ndarray, boot: np.ndarray, t_ns: np.ndarray, ties: bool = False
) -> np.ndarray:
    """How many of the rows, sorted by boot and time, lie before each (boot, t_ns); those at the same time only with
    `ties`. One sort for all, because a damaged or hostile log may hold very many of both."""
    n = len(row_boot)
    is_row = np.arange(n + len(boot)) < n
    order = np.lexsort((is_row != ties, np.concatenate([row_ns, t_ns]), np.concatenate([row_boot, boot])))
    before = np.cumsum(is_row[order])
    out = np.empty(len(order), np.int64)
    out[order] = before
    return out[n:]


def _touches(told: pd.DataFrame, boot: np.ndarray, from_ns: np.ndarray, to_ns: np.ndarray) -> np.ndarray:
    if not len(told):
        return np.zeros(len(boot), bool)
    key = told.sort_values(["boot", "from_ns"], kind="stable")
    told_boot, latest = key["boot"].to_numpy(), key.groupby("boot")["to_ns"].cummax().to_numpy()
    last = _rows_before(told_boot, key["from_ns"].to_numpy(), boot, to_ns, ties=True) - 1
    ok = last >= np.searchsorted(told_boot, boot)
    ok[ok] = latest[last[ok]] >= from_ns[ok]
    return ok
