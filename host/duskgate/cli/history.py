"""What the logbook knows from earlier nights, for the commands that work before and during a night."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

logbook_option = click.option(
    "--logbook",
    type=click.Path(path_type=Path),
    default=Path("logbook"),
    show_default=True,
    help="Folder of pulled logs: earlier nights say what is usual. It need not be there.",
)
site_option = click.option(
    "--site",
    "site_path",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Site file. Default: site.toml in the logbook, or beside it.",
)
WIDE = 4.0  # usual delays: the middle, give or take this many times the way from it to the 95 % point
LEAST_SHARE = 0.1  # of the middle, where a night was very even


@dataclass
class History:
    """The latest night's estimates (empty: none), its date, and the site file (None: none)."""

    estimates: dict[str, Any] = field(default_factory=dict)
    date: str = ""
    site: Any = None
    why_not: str = ""

    def first_delay(self) -> tuple[float, float, str] | None:
        """Range (us) in which the first light usually comes, and the words for it."""
        path = self.site.path if self.site else "beam_flash"
        found = ((self.estimates.get("latency") or {}).get(path) or {}).get("first_us") or {}
        middle, most = ((found.get(key) or {}).get("value") for key in ("median", "p95"))
        if middle is None or most is None:
            return None
        half = max(WIDE * (most - middle), LEAST_SHARE * middle)
        n = found["median"]["n"]
        return (
            middle - half,
            middle + half,
            f"{middle / 1000:.2f} ms ±{half / 1000:.2f} (n = {n}, night of {self.date})",
        )

    def recycle_s(self) -> tuple[float, str] | None:
        """Gap after which 95 % of the slowest head's flashes fire, with the words for it."""
        found = [(curve.get("r95_s") or {}) for curve in (self.estimates.get("recycle") or {}).values()]
        known = [r for r in found if r.get("value") is not None]
        if not known:
            return None
        worst = max(known, key=lambda r: r["value"])
        text = (
            f"{worst['value']:.1f} s ({worst['lo']:.1f} to {worst['hi']:.1f}, n = {worst['n']}, night of {self.date})"
        )
        return worst["value"], text

    def hours_left(self) -> tuple[float, str] | None:
        """Hours that the logger's cells had left at the end of that night, at the least, with words."""
        from ..report.words import estimate_text

        left = ((self.estimates.get("supply") or {}).get("logger") or {}).get("hours_left") or {}
        if left.get("at_least_h") is not None:
            return left["at_least_h"], f"{estimate_text(left, 'h')} left after the night of {self.date}"
        if left.get("value") is None:
            return None
        told = f"({left['lo']:.0f} to {left['hi']:.0f})"
        return left["lo"], f"{left['value']:.0f} h left after the night of {self.date} {told}"

    def hours_are_least(self) -> bool:
        """Whether `hours_left` is a time that the cells last at the least, and how much longer is not known."""
        left = ((self.estimates.get("supply") or {}).get("logger") or {}).get("hours_left") or {}
        return left.get("at_least_h") is not None


def history(logbook: Path, site_path: Path | None) -> History:
    """The latest night of the logbook, analysed. A logbook that cannot be read is said, never an error."""
    from ..errors import DuskgateError
    from .pull import site_beside

    found = site_path or site_beside(logbook)
    site = None
    if found is not None:
        from .. import sitefile

        site = sitefile.load(found)
    if not logbook.is_dir():
        return History(site=site, why_not=f"there is no logbook {logbook}")
    try:
        from ..report.open_night import open_night

        night = open_night(logbook, site_path=site_path)
    except DuskgateError as error:
        return History(site=site, why_not=str(error))
    return History(night.facts["estimates"], night.facts["night"]["date"], site)
