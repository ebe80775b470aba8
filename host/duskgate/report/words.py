"""Numbers, times and counts as a person reads them: with unit, interval and number of cases."""

import datetime as dt
import math
from zoneinfo import ZoneInfo

HOUR_US = 3_600_000_000
KNOWN_FROM_US = 1_000_000_000_000_000  # 2001: earlier instants stand for "time of day unknown"
NBSP = "\u00a0"


def clean(text: object) -> str:
    """Text from a file or a device in one line, control and direction signs as '?': a terminal would obey them."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(str(text).split()))


def finite(value) -> bool:
    """True for a real number that is neither NaN nor infinite."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def decimals_for(value: float, half_width: float | None) -> int:
    """Decimals that show one digit of the uncertainty (two where it begins with 1 or 2), or three of the value."""
    if half_width is not None and finite(half_width) and half_width > 0:
        place = math.floor(math.log10(half_width))
        return min(3, max(0, (1 if half_width < 2.95 * 10**place else 0) - place))
    if value == 0:
        return 0
    return min(4, max(0, 2 - math.floor(math.log10(abs(value)))))


def decimals_of(value: float, lo: float | None, hi: float | None) -> int:
    """Decimals of an estimate: two digits of the value at least where a limit would read as the value itself."""
    if lo is None or hi is None:
        return decimals_for(value, None)
    d = decimals_for(value, (hi - lo) / 2)
    said = number(value, d)
    if value and any(end != value and number(end, d) == said for end in (lo, hi)):
        d = max(d, min(4, 1 - math.floor(math.log10(abs(value)))))
    return d


def number(value: float, decimals: int = 0) -> str:
    """A number with fixed decimals; five digits and more before the point are parted by a no-break space."""
    text = f"{value:.{decimals}f}"
    if text.lstrip("-").strip("0.") == "":
        text = text.lstrip("-")
    if abs(value) >= 9999.5:
        whole, dot, rest = text.partition(".")
        text = f"{int(whole):,}".replace(",", NBSP) + dot + rest
    return text


def count(n: int, one: str, many: str | None = None) -> str:
    """'1 visit', '12 visits', 'no visits'."""
    noun = one if n == 1 else (many or one + "s")
    return f"no {noun}" if n == 0 else f"{number(n)} {noun}"


def estimate_text(estimate: dict | None, unit: str, scale: float = 1.0) -> str:
    """An estimate in one phrase: value, unit, interval and n; or the reason why there is none."""
    if not estimate:
        return "not measured"
    if finite(estimate.get("at_least_h")):
        surely = estimate["at_least_h"] * scale
        tenths = 1 if surely < 10 else 0
        return f"at least {number(math.floor(surely * 10**tenths) / 10**tenths, tenths)} {unit}"
    if not finite(estimate.get("value")):
        return str(estimate.get("text") or f"not enough data, n = {estimate.get('n', 0)}")
    value = estimate["value"] * scale
    lo, hi = (estimate.get(k) for k in ("lo", "hi"))
    lo = lo * scale if lo is not None and finite(lo) else None
    hi = hi * scale if hi is not None and finite(hi) else None
    d = decimals_of(value, lo, hi)
    n = f", n = {number(estimate['n'])}" if finite(estimate.get("n")) else ""
    if lo is not None and hi is not None:
        span = f"{number(lo, d)} to {number(hi, d)}"
    elif lo is not None:
        span = f"at least {number(lo, d)}"
    elif hi is not None:
        span = f"at most {number(hi, d)}"
    else:
        span = "no interval"
    return f"{number(value, d)} {unit} ({span}{n})".replace("  ", " ")


def percent_text(estimate: dict | None) -> str:
    """A share between 0 and 1 as per cent, with interval and n."""
    return estimate_text(estimate, "%", 100.0)


def hours(seconds: float) -> str:
    """'9.4 h', '2 h', '12 min' or '40 s': the unit that a person would choose."""
    if seconds >= 5400:
        return f"{number(seconds / 3600, 1).removesuffix('.0')} h"
    if seconds >= 90:
        return f"{number(seconds / 60, 0)} min"
    return f"{number(seconds, 0)} s"


def volts(mv: float) -> str:
    """Millivolts as text in volts, two decimals."""
    return f"{number(mv / 1000, 2)} V"


def listed(words: list[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def head_name(head: str) -> str:
    """A head as the page calls it; "all" stands for heads that the light sensors cannot tell apart."""
    return "the heads seen together" if head == "all" else head


SINCE_START = (
    "The time of day is unknown: hours count from the board's first start; how long it was off between two starts is "
    "not known either and does not count."
)


class LocalTime:
    """Local times of one night, all with the offset that held when the night began.

    One offset for the whole night keeps the axis free of a doubled or missing hour when the clocks change in it.
    """

    def __init__(self, zone: str, start_utc_us: int, end_utc_us: int):
        self.zone = zone
        self.since_start = not start_utc_us  # no time of day: times count from the board's first start
        self.offset_s = 0 if self.since_start else self._offset(start_utc_us)
        self.changes = not self.since_start and self._offset(end_utc_us) != self.offset_s

    def _offset(self, utc_us: int) -> int:
        moment = dt.datetime.fromtimestamp(utc_us / 1e6, tz=ZoneInfo(self.zone))
        return int(moment.utcoffset().total_seconds())

    @property
    def label(self) -> str:
        """Zone and offset, as the axes name it."""
        if self.since_start:
            return "time of day unknown"
        sign = "+" if self.offset_s >= 0 else "-"
        h, m = divmod(abs(self.offset_s) // 60, 60)
        return f"{self.zone}, UTC{sign}{h}" + (f":{m:02d}" if m else "")

    def moment(self, utc_us: int) -> dt.datetime:
        """Local clock time of a UTC instant in us."""
        return dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=int(utc_us), seconds=self.offset_s)

    def clock(self, utc_us: int | None, seconds: bool = False) -> str:
        """'22:30' (rounded down to the minute) or '22:30:05'; 'time unknown' for none.

        Without a time of day, '1:30 h' since the board's first start.
        """
        if self.since_start and utc_us is not None and 0 <= utc_us < KNOWN_FROM_US:
            minutes, rest = divmod(utc_us // 1_000_000, 60)
            return f"{minutes // 60}:{minutes % 60:02d}" + (f":{rest:02d}" if seconds else "") + " h"
        if utc_us is None or utc_us < KNOWN_FROM_US:
            return "time unknown"
        return self.moment(utc_us).strftime("%H:%M:%S" if seconds else "%H:%M")

    def span(self, start_utc_us: int, end_utc_us: int) -> str:
        """'from to' of two UTC instants in us, in local clock time; without a time of day, after the first start."""
        if self.since_start and 0 <= start_utc_us < KNOWN_FROM_US:
            return f"{self.clock(start_utc_us).removesuffix(' h')} to {self.clock(end_utc_us)} after the start"
        return f"{self.clock(start_utc_us)} to {self.clock(end_utc_us)}"

    def _note(self) -> str:
        if self.since_start:
            return SINCE_START
        if self.changes:
            return f"The clocks change during this night; all times keep the offset of its beginning ({self.label})."
        return f"All times are local ({self.label})."

    def facts(self) -> dict:
        """What the page has to know about the zone."""
        return {
            "zone": self.zone,
            "offset_s": self.offset_s,
            "label": self.label,
            "changes": self.changes,
            "since_start": self.since_start,
            "note": self._note(),
        }
