"""Logbooks of several invented nights, and what truly happened in them."""

import datetime as dt
from pathlib import Path

import numpy as np
from duskgate.virtual import scenes
from duskgate.virtual.scene_site import site_text

from tests.cli.night_logs import DAY_S, night_log
from tests.factories import BOARD

FIRST = dt.date(2026, 7, 18)


def date_of(day: int) -> str:
    return (FIRST + dt.timedelta(day)).isoformat()


def log_name(day: int, board: str = BOARD) -> str:
    after = FIRST + dt.timedelta(day + 1)
    return f"{date_of(day)}_{board}_{after:%Y%m%d}T060000Z.dgl"


def book(
    folder: Path, days, preset: str = "quiet-night", board: str = BOARD, site: bool = True, seed: int = 10
) -> Path:
    """A logbook with one night on each of those days after 18 July, seeds from `seed` on."""
    folder.mkdir(parents=True, exist_ok=True)
    for k, day in enumerate(days):
        (folder / log_name(day, board)).write_bytes(night_log(preset, seed + k, day, day + 1))
    if site:
        (folder / "site.toml").write_text(site_text(scenes.PRESETS[preset]), encoding="utf-8")
    return folder


def true_visits(days, preset: str = "quiet-night", seed: int = 10) -> dict[str, np.ndarray]:
    """Starts (us UTC) of the visits that broke the beam, by night."""
    out = {}
    for k, day in enumerate(days):
        told = scenes.make(preset, seed + k).truth["visits"]
        seen = np.array(told["n_seen"]) > 0
        out[date_of(day)] = np.array(told["start_utc_us"], np.int64)[seen] + day * DAY_S * 1_000_000
    return out
