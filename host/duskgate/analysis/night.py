"""One night: a recording, its clock and its site -> tables and estimates."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from duskgate.analysis import exposure, kinds, night_estimates, night_tables, rates
from duskgate.analysis.bouts import Criterion
from duskgate.analysis.parts import Parts, take_apart
from duskgate.analysis.settings import settings_of
from duskgate.analysis.traces import cut


@dataclass
class Night:
    """`tables`: frames as `fields.TABLES` names them. `estimates`: plain numbers with their intervals and counts."""

    tables: dict[str, pd.DataFrame]
    estimates: dict[str, Any]
    parts: Parts | None = field(default=None, repr=False)


def analyse(
    rec: Any,
    clock: Any,
    site: Any = None,
    window_utc_us: tuple[int, int] | None = None,
    criterion: Criterion | None = None,
    template: dict | None = None,
    hours_utc_us: tuple[int, int] | None = None,
) -> Night:
    """Tables and estimates of one night.

    rec: a Recording (board times, level 1 = broken, closed or lit). clock: utc_us(boot, t_ns) and unc_us(boot, t_ns).
    window_utc_us: only what lies inside it. criterion: gap between visits from several nights together, instead of
    this night's own. template: `estimates["supply"]["template"]` of an earlier night on the same cells.
    hours_utc_us: between which the best window is sought; None: the whole session.
    """
    s = settings_of(site)
    traces = cut(rec, clock, window_utc_us)
    p = take_apart(traces, s, criterion)
    tables = night_tables.build(p, rec)
    lo, hi, closed = night_tables.utc_exposure(p)
    starts = np.sort(tables["visits"]["start_utc_us"].to_numpy(np.int64))
    columns, rate = rates.night_rates(starts, closed, lo, hi, s.bin_s, s.dispersion_bin_s)
    tables["rates"] = night_tables.rates_table(columns)
    rate["time_of_day"] = night_tables.time_of_day(p)
    if rate["time_of_day"] != "known":  # the hours of some boots are not known, how long they watched is
        rate |= rates.session_rate(*night_tables.axis_exposure(p), s.dispersion_bin_s)
    estimates = night_estimates.build(p, tables, template)
    estimates["exposure"] = exposure.summary(p.exposure)
    estimates["verdict"] = kinds.verdict(p.kinds, s)
    notes = tables["notes"]
    refills = notes["utc_us"][notes["what"] == "refilled"].to_numpy(np.int64)
    estimates["rates"] = rate | {
        "refills": rates.around_refills(starts, closed, lo, hi, refills, s.refill_s, rate["dispersion"])
    }
    estimates["best_window"] = rates.best_window(
        starts, closed, lo, hi, s.best_window_s, s.window_step_s, rate["dispersion"], hours_utc_us
    )
    return Night(tables, estimates, p)
