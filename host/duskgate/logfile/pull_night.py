"""Which night a pull is named after."""

from datetime import datetime, time, timedelta, tzinfo

SOONEST = 1_577_836_800  # 2020-01-01: a clock that says less was never set
# Local hours that no summer or winter evening of our latitudes shares with setting up, or a morning with pulling.
DEEP_NIGHT = (time(21), time(5))
HALF_DAY = timedelta(hours=12)


def newest_night(clock_seconds: list[int], pulled_utc_us: int, zone: tzinfo | None) -> str:
    """Date (YYYY-MM-DD) of the newest night that the data reach into; nights run from noon to noon, local time.

    `clock_seconds` are Unix seconds found in the data. Seconds before 2020 or later than a day after the pull are
    clocks gone wrong and do not count. A board that logs all day reaches past noon into a night that has not begun:
    seconds in the deep night (21 to 5 o'clock) decide where there are any, else the last second does, else the pull.
    `zone` None is the zone of this computer.
    """
    latest = pulled_utc_us // 1_000_000 + 86_400
    local = [_local(s, zone) for s in clock_seconds if SOONEST <= s <= latest]
    deep = [t for t in local if t.time() >= DEEP_NIGHT[0] or t.time() < DEEP_NIGHT[1]]
    moment = max(deep or local or [_local(pulled_utc_us // 1_000_000, zone)])
    return (moment - HALF_DAY).date().isoformat()


def _local(unix_second: int, zone: tzinfo | None) -> datetime:
    """Wall clock time without its zone, so that subtracting hours stays on the wall clock."""
    return datetime.fromtimestamp(unix_second, zone).replace(tzinfo=None)
