"""Ready or not: each conclusion of `check` from what was seen. Pure; nothing here talks to a board or reads a clock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from duskgate.errors import ahead_text
from duskgate.faults import INPUT_CHATTER, INPUT_LONG, INPUT_NEW, INPUT_SILENT, INPUT_TWINS, inputs_of
from duskgate.fields import BEAM, BEAM2, CHANNELS, FLASHES, SYNC
from duskgate.ready.records import CHATTER_EDGES, Edges, active_levels, active_share

READY, LOOK, MEND = "ready", "look", "mend"
FLICKER_PER_S = 20.0  # more changes of an untouched beam than this are a receiver at its limit
STUCK_S = 30.0  # an untouched input that is active for so long is no animal and no flash
SAME_TICKS = 14  # 1 us: two channels that change closer than this always, are one wire or one light
FEW = 3  # breaks that tell a habit from chance
CLOCK_OFF_S, FAR_OFF_S = 2.0, 60.0
LIGHTS = sum(1 << channel for channel in FLASHES)
LAG_S = 0.5  # a light later than this does not answer the break


@dataclass(frozen=True)
class Item:
    """One line of the check: what, the word, what was seen, and what to do (empty where all is well)."""

    name: str
    word: str
    seen: str
    todo: str = ""


@dataclass
class Seen:
    """All that one check looked at.

    who, state: the board's answers. edges: recent changes, and `span_s`, the board time that they cover. hands: ticks
    of breaks asked for (None: nobody was asked). usual_delay_us: (low, high, text) of the rig's earlier nights.
    clock_off_s: (offset, half width) against the computer. hours_left: of the logger's cells, as text.
    """

    who: dict[str, Any]
    state: dict[str, Any]
    edges: Edges
    span_s: float
    tag_values: list[tuple[int, int, int]] = field(default_factory=list)
    hands: np.ndarray | None = None
    usual_delay_us: tuple[float, float, str] | None = None
    clock_off_s: tuple[float, float] | None = None
    cutoff_mv: float | None = None
    hours: tuple[float, float, str] | None = None  # left at the least, needed, in words
    hours_at_least: bool = False  # the cells are vouched for so long; how much longer is not known
    light_by_day: bool | None = None  # whether the sun is up; None: place not known
    two_beams: bool = False  # the site file tells of a second one
    version: str = ""  # of the firmware in this tool

    @property
    def tick_s(self) -> float:
        """Seconds of one tick."""
        return self.who["cycles_per_tick"] / self.who["clock_hz"]

    @property
    def channels(self) -> int:
        """Mask of channels in use, without SECOND."""
        return self.who.get("channels", 0x7F) & 0x7F

    @property
    def unwired(self) -> list[str]:
        """Names of inputs that nothing seemed to drive at boot."""
        told = self.who.get("wiring_check")
        return told if isinstance(told, list) else []

    @property
    def active(self) -> int:
        """Mask of active channels now."""
        return active_levels(self.state.get("levels", 0), self.who.get("low_mask", 0), self.channels)

    def edge_counts(self) -> list[int] | None:
        """Edges of each channel since boot; None from a firmware that does not count them."""
        return _list(self.state, "edges")

    def still(self, channel: int) -> float | None:
        """Seconds since the channel changed; None: never since boot, or not told."""
        still = _list(self.state, "still_s")
        return still[channel] if still else None


def conclude(seen: Seen) -> list[Item]:
    """All items, in the order in which a person would mend them."""
    parts = (firmware, store, clock, supply, beam, second_beam, sync, heads, delay, twins, inputs, losses, faults)
    return [item for part in parts for item in part(seen)]


def ready(items: Iterable[Item]) -> bool:
    """Whether nothing has to be mended."""
    return all(item.word != MEND for item in items)


def firmware(seen: Seen) -> list[Item]:
    """Whether the board's firmware is known to this tool and of its version."""
    here = f"board {seen.who['board']}, firmware {seen.who['firmware']}"
    if seen.edge_counts() is None:
        return [Item("firmware", MEND, f"{here} is older than this check", "renew it: duskgate load")]
    if seen.version and seen.version != seen.who["firmware"]:
        return [Item("firmware", LOOK, f"{here}, this tool carries {seen.version}", "duskgate load renews it")]
    return [Item("firmware", READY, here)]


def store(seen: Seen) -> list[Item]:
    """Whether the store works and has room, in nights."""
    nights, status = seen.state["nights_left"], seen.state["store"]
    said = f"room for {nights:.3g} more nights, {seen.state['unpulled_bytes'] / 1000:.0f} kB not pulled yet"
    if status != "ok":
        return [Item("storage", MEND, f"store {status}; {said}", "duskgate pull; the board then drops what is safe")]
    word = MEND if nights < 1 else LOOK if nights < 2 else READY
    return [Item("storage", word, said, "" if word == READY else "duskgate pull makes room")]


CLOCK_FAULTS = (
    (2, MEND, "no clock chip answers", "check its four wires (SDA, SCL, 3V3, ground)"),
    (1, MEND, "its oscillator had stopped: its time is not to be trusted", "new cell in it, then duskgate clock"),
    (4, MEND, "no 1 Hz wave from it", "wire SQW to its input, 4.7 kilohm from SQW to 3V3"),
)


def clock(seen: Seen) -> list[Item]:
    """Whether the clock chip runs, is read, and agrees with this computer (s)."""
    bits = seen.state["clock_state"]
    wrong = [Item("clock", word, text, todo) for bit, word, text, todo in CLOCK_FAULTS if bits & bit]
    if wrong:
        return wrong[:1]
    if seen.clock_off_s is None:
        return [Item("clock", LOOK, "no reading of it is confirmed yet", "ask again in some seconds")]
    off, unc = seen.clock_off_s
    said = f"{off:+.2f} s (±{unc:.2f}) against this computer"
    said = f"{ahead_text(off)} this computer" if abs(off) > FAR_OFF_S else said
    if abs(off) - unc > CLOCK_OFF_S:
        return [Item("clock", MEND, said, "duskgate clock sets it (is this computer right?)")]
    return [Item("clock", READY, said)]


def supply(seen: Seen) -> list[Item]:
    """Voltage of the logger's cells, and whether it lasts for the coming night (h)."""
    mv = seen.state.get("supply_mv")
    if not isinstance(mv, int) or mv < 100:
        return [Item("supply", LOOK, "no voltage at the cells' input", "right on USB alone; else look at the divider")]
    said = f"{mv / 1000:.2f} V"
    if seen.cutoff_mv and mv < seen.cutoff_mv:
        return [Item("supply", MEND, f"{said}, cut-off {seen.cutoff_mv / 1000:.2f} V", "fresh cells")]
    if seen.hours is None:
        return [Item("supply", READY if seen.cutoff_mv is None else LOOK, f"{said}; hours left not known", HOURS_TODO)]
    least, needed, text = seen.hours
    said = f"{said}; {text}, this night needs {needed:.1f} h"
    if least >= needed:
        return [Item("supply", READY, said)]
    if seen.hours_at_least:
        return [Item("supply", LOOK, said, "measure the cells, charge or change them: more is not vouched for")]
    return [Item("supply", MEND, said, "fresh cells")]


HOURS_TODO = "a pulled night on these cells, with cutoff_mv in the site file, lets it be said"


def _never(seen: Seen, channel: int) -> bool:
    counts = seen.edge_counts()
    return counts is not None and counts[channel] == 0


def _stuck(seen: Seen, channel: int) -> bool:
    if not seen.active >> channel & 1:
        return False
    still = seen.still(channel)
    return _never(seen, channel) or (still is not None and still >= STUCK_S)


def _mostly_active(seen: Seen, channel: int) -> bool:
    """Active for most of the time that the recent edges cover, with some changes in it."""
    share = active_share(seen.edges, channel, seen.span_s / seen.tick_s, 2 * FEW)
    return share is not None and share > 0.5


def chattering(seen: Seen, channel: int) -> bool:
    """Whether the guard summarised that channel among the recent records."""
    return any(tag == CHATTER_EDGES and index == channel for tag, index, _ in seen.tag_values)


def beam(seen: Seen) -> list[Item]:
    """State of the beam, by what its input does and by the breaks asked for."""
    return _one_beam(seen, BEAM, "beam") if seen.channels >> BEAM & 1 else [
        Item("beam", MEND, "the channel BEAM is switched off", "set channels so that bit 0 is in it")
    ]  # fmt: skip


def second_beam(seen: Seen) -> list[Item]:
    """State of the second beam; nothing where none is used."""
    if not seen.channels >> BEAM2 & 1:
        off = Item("beam 2", MEND, "the channel BEAM2 is switched off", "set channels so that bit 1 is in it")
        return [off] if seen.two_beams else []
    quiet = _never(seen, BEAM2) and not seen.active >> BEAM2 & 1
    return _one_beam(seen, BEAM2, "beam 2") if seen.two_beams or not quiet else []


def _one_beam(seen: Seen, channel: int, name: str) -> list[Item]:
    wire = CHANNELS[channel]
    wrong = _beam_wrong(seen, channel, name)
    if wrong is not None:
        return [wrong]
    if channel == BEAM and seen.hands is not None:
        return [_by_hand(seen, wire, name)]
    if _never(seen, channel):
        return [Item(name, LOOK, "reads whole, never broken since start", "break it by hand: it must react")]
    return [Item(name, READY, f"reads {_state(seen, channel)}, {_still_text(seen, channel)}")]


def _beam_wrong(seen: Seen, channel: int, name: str) -> Item | None:
    """What is wrong with a beam that nobody touches."""
    if CHANNELS[channel] in seen.unwired and _never(seen, channel):
        return Item(name, MEND, "nothing drives its wire", "plug it in; look for a cut core")
    if _stuck(seen, channel):
        return Item(name, MEND, f"reads BROKEN, {_still_text(seen, channel)}", STUCK_TODO)
    if chattering(seen, channel) or _rate(seen, channel) > FLICKER_PER_S:
        said = f"flickers, {_rate(seen, channel):.0f} changes a second"
        return Item(name, MEND, said, "align it with the middle of its range; wipe the windows; check its pull-up")
    if seen.hands is None and _mostly_active(seen, channel):
        return Item(name, MEND, "broken most of the time, whole in between", POLARITY_TODO)
    return None


STUCK_TODO = (
    "unplug the receiver: if it then reads whole, clear and align the beam or turn its output round (dark on); "
    "if not, a short between plug and pin"
)
POLARITY_TODO = "polarity: set the receiver to conduct when the beam is broken (dark on), or clear its bit in low_mask"


def _by_hand(seen: Seen, wire: str, name: str) -> Item:
    hands = seen.hands if seen.hands is not None else np.zeros(0)
    if len(hands) == 0:
        todo = "pull the wire to ground at the input stage: if it reacts, receiver, its supply or its aim are at fault"
        return Item(name, MEND, f"no break came while you were asked for one ({wire} did not change)", todo)
    if seen.active >> BEAM & 1:
        return Item(name, MEND, "reads BROKEN after your hand has gone", STUCK_TODO)
    return Item(name, READY, f"whole, and broken {len(hands)} times by hand")


def _state(seen: Seen, channel: int) -> str:
    return "BROKEN" if seen.active >> channel & 1 else "whole"


def _still_text(seen: Seen, channel: int) -> str:
    still = seen.still(channel)
    return "never changed since start" if still is None else f"unchanged for {still:.0f} s"


def _rate(seen: Seen, channel: int) -> float:
    n = int((seen.edges.channel == channel).sum())
    return n / seen.span_s if seen.span_s > 0 else 0.0


def sync(seen: Seen) -> list[Item]:
    """State of the camera's flash contact; nothing where it is not wired."""
    if not seen.channels >> SYNC & 1 or not _stuck(seen, SYNC):
        return []
    return [
        Item("sync", MEND, "the camera's contact reads closed all the time", "turn its two wires; look for a short")
    ]


def heads(seen: Seen) -> list[Item]:
    """A line for each light sensor in use: daylight, answers to the breaks by hand."""
    out = []
    for number, channel in enumerate(FLASHES, 1):
        if not seen.channels >> channel & 1 or (CHANNELS[channel] in seen.unwired and _never(seen, channel)):
            continue
        out.append(_head(seen, f"light {number}", channel))
    if not out:
        out.append(Item("lights", LOOK, "no light sensor is wired", "misses cannot be told from the log"))
    return out


def _head(seen: Seen, name: str, channel: int) -> Item:
    if _stuck(seen, channel):
        if seen.light_by_day is False:
            return Item(name, MEND, "sees light all the time after sunset", "pinhole or grey film before it; polarity")
        return Item(name, LOOK, "sees light all the time: daylight?", "look again at dusk; film or tube if it stays")
    if seen.hands is None or len(seen.hands) == 0:
        said = "no light yet since start" if _never(seen, channel) else f"last light: {_still_text(seen, channel)}"
        return Item(name, LOOK if _never(seen, channel) else READY, said, "break the beam by hand: it must answer")
    lags = answers(seen.edges, seen.hands, channel, seen.tick_s)
    n, lit = len(lags), int(np.isfinite(lags).sum())
    if lit == 0:
        todo = "head on and charged? receiver on? sensor at its place? test the head with its own button"
        return Item(name, MEND, f"answered none of {n} breaks", todo)
    if lit < n:
        todo = "slower breaks (recycling); fresh cells; one layer of film less"
        return Item(name, LOOK, f"answered {lit} of {n} breaks", todo)
    return Item(name, READY, f"answered {lit} of {n} breaks")


def answers(edges: Edges, hands: np.ndarray, channel: int, tick_s: float) -> np.ndarray:
    """Delay (us) from each break to that sensor's next light; NaN where none came before the next break."""
    lit = edges.of(channel)
    if len(lit) == 0:
        return np.full(len(hands), np.nan)
    at = np.searchsorted(lit, hands)
    lag = (lit[np.minimum(at, len(lit) - 1)] - hands) * tick_s
    nearest = np.append(np.diff(hands) * tick_s, np.inf)
    good = (at < len(lit)) & (lag >= 0) & (lag < np.minimum(LAG_S, nearest))
    return np.where(good, lag * 1e6, np.nan)


def delay(seen: Seen) -> list[Item]:
    """First light after the breaks asked for, against the rig's usual delay (us)."""
    if seen.hands is None or len(seen.hands) == 0:
        return []
    lags = np.array([answers(seen.edges, seen.hands, c, seen.tick_s) for c in FLASHES if seen.channels >> c & 1])
    lit = np.isfinite(lags).any(axis=0) if len(lags) else np.zeros(0, bool)
    if not lit.any():
        return []
    first = np.nanmin(lags[:, lit], axis=0) / 1000
    said = f"first light after {np.median(first):.2f} ms ({first.min():.2f} to {first.max():.2f}, n = {len(first)})"
    if seen.usual_delay_us is None:
        return [Item("delay", LOOK, f"{said}; usual range not known", "pull a night, or run duskgate bench")]
    low, high, text = seen.usual_delay_us
    if low / 1000 <= np.median(first) <= high / 1000:
        return [Item("delay", READY, f"{said}; usual {text}")]
    todo = "what changed: trigger unit, radio channel, camera in the path, another power?"
    return [Item("delay", MEND, f"{said}; usual {text}", todo)]


def twins(seen: Seen) -> list[Item]:
    """Channels that change at the same moments: a short, or two receivers that see one emitter."""
    out = []
    for a in range(7):
        for b in range(a + 1, 7):
            if not seen.channels >> a & seen.channels >> b & 1:
                continue
            n, same = together(seen.edges, a, b)
            if n < FEW or same < n:
                continue
            said = f"{CHANNELS[a]} and {CHANNELS[b]} change together, {same} of {n} times within 1 us"
            if a in FLASHES:
                word, todo = LOOK, "both sensors see one head: tubes; or a short between their wires"
            elif (a, b) == (BEAM, BEAM2):
                word, todo = (
                    MEND,
                    "one emitter seen by both receivers: turn one pair round, longer tubes; or a short between wires",
                )
            else:
                word, todo = MEND, "a short between neighbouring pins or cable cores: unplug one and look again"
            out.append(Item("wiring", word, said, todo))
    return out


def together(edges: Edges, a: int, b: int) -> tuple[int, int]:
    """(changes of the channel that changes more often, how many of them have one of the other within 1 us)."""
    ta, tb = np.sort(edges.tick[edges.channel == a]), np.sort(edges.tick[edges.channel == b])
    if not len(ta) or not len(tb):
        return max(len(ta), len(tb)), 0
    many, few = (ta, tb) if len(ta) >= len(tb) else (tb, ta)
    at = np.searchsorted(few, many)
    near = np.minimum(np.abs(many - few[np.maximum(at - 1, 0)]), np.abs(few[np.minimum(at, len(few) - 1)] - many))
    return len(many), int((near <= SAME_TICKS).sum())


def inputs(seen: Seen) -> list[Item]:
    """What the board itself finds wrong with its inputs, where no other line says it already."""
    out = []
    for said in inputs_of(seen.state):
        own_line = said.number in (INPUT_NEW, INPUT_LONG) and not said.channels & ~seen.active
        if own_line or (said.number == INPUT_TWINS and twins(seen)):
            continue
        unsure = said.number in (INPUT_NEW, INPUT_LONG, INPUT_CHATTER, INPUT_SILENT) or not said.channels & ~LIGHTS
        out.append(Item("wiring", LOOK if unsure else MEND, said.text, said.todo))
    return out


def losses(seen: Seen) -> list[Item]:
    """Stampings and store writes that were lost since boot; nothing where none were."""
    lost = {name: seen.state.get(name, 0) for name in ("ring_lost", "fifo_drops", "store_lost")}
    if not any(lost.values()):
        return []
    said = f"records lost since start: {lost['ring_lost'] + lost['fifo_drops']} stamping, {lost['store_lost']} storing"
    return [Item("losses", LOOK, said, "mend what flickers; a full store: duskgate pull; then restart the board")]


def faults(seen: Seen) -> list[Item]:
    """Faults that the board itself remembers; nothing where there are none."""
    told = [str(fault) for fault in seen.state.get("faults") or []]
    if seen.unwired:
        named = f"nothing drives {', '.join(seen.unwired)}: right where nothing is wired"
        told = list(dict.fromkeys(named if "looks unwired" in fault else fault for fault in told))
    return [Item("fault", LOOK, fault, "see hardware_notes/troubleshooting.md") for fault in told]


def _list(state: dict[str, Any], key: str) -> list | None:
    value = state.get(key)
    return value if isinstance(value, list) and len(value) >= 7 else None
