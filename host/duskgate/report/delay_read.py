"""What the delay needs of each log: its fires, night by night, and the site file of the newest."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from . import setting, words
from .open_season import NightReader, NightSource, boards_of

HEAD_COLUMNS = {f"FLASH{k}": f"latency{k}_us" for k in range(1, 5)}
COLUMNS = ["utc_us", "kind", "path", "latency_us", *HEAD_COLUMNS.values(), "beam_to_sync_us", "sync_to_light_us"]


@dataclass
class Rig:
    """One log, or one board's logs in a logbook, with all answered fires of its nights in the order of time."""

    label: str
    site: Any = None
    site_file: str | None = None
    nights: list[str] = field(default_factory=list)
    parts: list[pd.DataFrame] = field(default_factory=list)
    windows: dict[str, list[Any]] = field(default_factory=dict)
    shared: set[str] = field(default_factory=set)  # heads that no sensor sees alone
    speeds_mm_s: list[np.ndarray] = field(default_factory=list)
    lights: int = 0
    lost_edges: int = 0
    watched: bool = False
    remarks: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)

    @property
    def place(self) -> dict:
        """What the site file says of the place; defaults where there is none."""
        return setting.site_facts(self.site)

    @property
    def fires(self) -> pd.DataFrame:
        """Answered fires of all nights in the order of reading, a row each; empty with columns where there are none."""
        return pd.concat(self.parts, ignore_index=True) if self.parts else pd.DataFrame(columns=[*COLUMNS, "night"])

    def take(self, source: NightSource, night: Any, shots: pd.DataFrame) -> None:
        """Add a night: its answered fires, and the shots of a bench measurement in it."""
        self.site, self.site_file = source.site, source.site_file
        self.nights.append(source.date or "unknown date")
        fires = night.tables["fires"]
        answered = fires[fires["kind"] == "answered"][COLUMNS]
        both = pd.concat([answered, shots[COLUMNS]], ignore_index=True) if len(shots) else answered
        self.parts.append(both.assign(path=both["path"].astype(object), kind="answered", night=self.nights[-1]))
        self.lights += len(fires)
        self.watched |= "latency" in night.estimates
        for path, found in (night.estimates.get("latency") or {}).items():
            self.windows.setdefault(path, []).append(night.parts.answers.matching.window)
            self.shared.update(name for name in found["heads"] if name not in HEAD_COLUMNS)
            self.lost_edges += int(found["loss"]["lost_edges"] or 0)
        speed = night.tables["visits"]["speed_mm_s"].to_numpy(float)
        self.speeds_mm_s.append(speed[np.isfinite(speed)])
        if len(source.problems):
            self.damaged.append(source.date or source.files[0])
        self.remarks += source.left_out


def readers(paths: list[Path], site: Path | None = None, progress: Any = None) -> list[tuple[str, NightReader]]:
    """A reader with a label for each log, and for each board where a logbook holds several."""
    out = []
    for path in paths:
        boards = boards_of(path)
        several = boards if len(boards) > 1 else [None]
        for board in several:
            label = words.clean(path) + (f" {board}" if board else "")
            out.append((label, NightReader(Path(path), site, board, progress=progress)))
    return out


def in_window(shots: pd.DataFrame, window: tuple[int, int] | None) -> pd.DataFrame:
    """The shots that brought light inside a night."""
    at = shots["utc_us"]
    inside = (at >= window[0]) & (at < window[1]) if window else np.ones(len(shots), bool)
    return shots[inside & np.isfinite(shots["latency_us"].to_numpy(float))]
