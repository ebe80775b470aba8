"""Moments of an invented night at the tobacco border, as `watch` gets to know them."""

from duskgate.ready.live import Live
from duskgate.ready.records import look
from duskgate.ready.words import Status

from tests.fakes import record
from tests.host.test_ready import STATE, WHO, hands_rows, rows, ticks

RECYCLE = (1.5, "1.5 s (1.4 to 1.6, n = 90, night of 2026-07-18)")
NO_LINK = "NO LINK for 12 s; the board logs on while it has power"


def seen(data: bytes, now_s: float, later: bytes = b"", who: dict = WHO, **status) -> tuple[Live, Status]:
    """Counts at `now_s` after records in two looks, and the status."""
    live = Live(who)
    live.feed(look(data, 0x7F, 0x7F), ticks(now_s))
    if later:
        live.feed(look(later, 0x7F, live.levels), ticks(now_s))
    state = {**STATE, **status.pop("state", {})}
    return live, Status(**{"clock": "22:41:07", "recycle": RECYCLE, "day": "2026-07-19", "state": state, **status})


def states() -> dict[str, tuple[Live, Status]]:
    """Name -> what is known."""
    calm = hands_rows(2)
    lost = record(ticks(29.0), 0x03) + record(40, 0x60)
    return {
        "before_any": seen(b"", 9.0),
        "quiet": seen(calm, 201.5),
        "visit_now": seen(calm + rows((30.0, 1)), 31.0),
        "recycling": seen(calm, 14.3),
        "store_full": seen(calm, 30.0, state={"store": "full", "faults": ["the store was full: edges were not kept"]}),
        "blind": seen(calm, 30.0, lost, state={"ring_lost": 40}),
        "blocked": seen(calm + rows((30.0, 1)), 95.0, state={"inputs": []}),
        "unplugged": seen(calm, 30.0, lost=True, link=NO_LINK, ahead_s=12.0),
        "fault": seen(calm, 30.0, state={"faults": ["the clock chip did not answer"], "inputs": [[21, 2 | 50 << 8]]}),
        "no_light_sensor": seen(rows((10.0, 1), (10.1, 0)), 30.0, who={**WHO, "channels": 0x01}),
    }
