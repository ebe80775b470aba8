"""`duskgate clock`: look at the board's clock, set it, and say how far it had drifted."""

from pathlib import Path
from typing import Any

import click

from ..errors import LinkError, UsageError
from .board_clock import OLDEST_COMPUTER_S, comparisons, read_clock
from .board_options import example, json_option, port_option
from .history import logbook_option
from .say import say_answer

STOPPED, NO_CHIP, NO_WAVE = 1, 2, 4
CELL = "its oscillator had stopped: the cell is empty or was taken out, the time before is not to be trusted"
SET_UNC_S = 0.05  # a clock set right is this close; more was a slow link, and a second try is worth it


@example("duskgate clock --check")
@click.command("clock")
@click.option("--check", "only_look", is_flag=True, help="Set nothing: only look.")
@logbook_option
@port_option
@json_option
def command(only_look: bool, logbook: Path, port: str | None, as_json: bool) -> None:
    """Set the board's clock by this computer's, on the whole second, and verify it.

    Says how far the clock was off, how it drifted since it was last compared (where the logbook knows), and whether its
    cell kept it running. A comparison with this computer goes into the board's log. The computer's own clock has to be
    right: let it take the time from a network once.
    """
    from ..link.port import BoardLink, one_port

    with BoardLink(one_port(port)) as link:
        facts = look(link, logbook)
        if not only_look:
            facts |= set_and_verify(link, facts)
    say_answer(facts, lines(facts), as_json)


def look(link: Any, logbook: Path) -> dict[str, Any]:
    """The clock as it is, and its drift."""
    from ..ready.drift import Comparison, drift

    if link.clock.time_ns() < OLDEST_COMPUTER_S * 1_000_000_000:
        raise UsageError("this computer's own clock is years behind: set it first, nothing was changed")
    who, state = link.who(), link.state()
    bits = state["clock_state"]
    found = None if bits & (NO_CHIP | NO_WAVE) else read_clock(link)
    facts: dict[str, Any] = {
        "board": who["board"], "clock_state": bits, "cell": "stopped" if bits & STOPPED else "kept it running",
        "offset_s": None, "unc_s": None, "drift_ppm": None, "drift": None,
    }  # fmt: skip
    if bits & NO_CHIP:
        facts["cell"] = "not known"
    if found is not None:
        facts |= {"offset_s": round(found.offset_s, 4), "unc_s": round(found.unc_s, 4)}
        if not bits & STOPPED:
            earlier, set_at = comparisons(logbook, who["board"])
            known = drift(Comparison(found.utc_s, found.offset_s, found.unc_s), earlier, set_at)
            facts |= {"drift": str(known), "drift_ppm": known.ppm, "drift_lo": known.low, "drift_hi": known.high}
    return facts


def set_and_verify(link: Any, before: dict[str, Any]) -> dict[str, Any]:
    """Set on the whole second, read back by the edge, write the comparison. Raises LinkError where it did not take."""
    if before["clock_state"] & NO_CHIP:
        raise LinkError("no clock chip answers: check its four wires (SDA, SCL, 3V3, ground), then try again")
    jump_ms = set_on_the_second(link).get("jump_ms")
    if before["clock_state"] & NO_WAVE:
        return {"set": True, "jump_ms": jump_ms, "after_s": None, "after_unc_s": None, "verified": "no 1 Hz wave"}
    after = read_clock(link, longest_s=8.0)
    if after is None:
        raise LinkError("the clock was set, but no second of it came back in 8 s: duskgate clock --check looks again")
    if abs(after.offset_s) - after.unc_s > 0.5:
        raise LinkError(f"the clock was set but reads {after.offset_s:+.1f} s off: try again; new cell if it stays so")
    link.host_clock(link.measure_clock())
    still = link.state()["clock_state"] & STOPPED
    return {
        "set": True, "jump_ms": jump_ms, "after_s": round(after.offset_s, 4), "after_unc_s": round(after.unc_s, 4),
        "verified": "by its 1 Hz edge", "still_stopped": bool(still),
    }  # fmt: skip


def set_on_the_second(link: Any) -> dict[str, Any]:
    """Have the chip's second begin when this computer's does: a request arrives half a round trip after it is sent."""
    clock = link.clock
    half_s = link.measure_clock().unc_us / 1e6
    now = clock.time_ns() / 1e9
    second = int(now + half_s + 0.05) + 1
    while (wait := second - half_s - clock.time_ns() / 1e9) > 0:
        clock.sleep(wait if wait < 0.02 else wait - 0.01)
    return link.set_clock(second)


def lines(facts: dict[str, Any]) -> list[str]:
    """The same for a person."""
    out = [f"Board {facts['board']}"]
    if facts["clock_state"] & NO_CHIP:
        return [*out, "Clock   no clock chip answers: check its four wires (SDA, SCL, 3V3, ground)"]
    if facts["offset_s"] is not None:
        out.append(f"Clock   {facts['offset_s']:+.3f} s (±{facts['unc_s']:.3f}) against this computer")
    elif facts["clock_state"] & NO_WAVE:
        out.append("Clock   no 1 Hz wave from it: wire SQW to its input, 4.7 kilohm from SQW to 3V3")
    else:
        out.append("Clock   no reading of it is confirmed yet: ask again in some seconds")
    out.append(f"Cell    {CELL if facts['clock_state'] & STOPPED else 'kept it running'}")
    if facts["drift"]:
        out.append(f"Drift   {facts['drift'].removeprefix('drift ')}")
    if facts.get("set"):
        out += set_lines(facts)
    elif facts["clock_state"] & STOPPED:
        out.append("Do      new cell in the clock, then duskgate clock")
    return out


def set_lines(facts: dict[str, Any]) -> list[str]:
    """What setting it did."""
    jump = (facts["jump_ms"] or 0) / 1000
    out = [f"Set     {'forward' if jump >= 0 else 'BACK'} by {abs(jump):.3f} s"]
    if jump < 0:
        out.append("        These seconds come twice by the clock. The log keeps them apart by its own ticks.")
    if facts["after_s"] is None:
        out.append("Check   not verified: the board sees no 1 Hz wave of the clock")
    else:
        out.append(f"Check   {facts['after_s']:+.3f} s (±{facts['after_unc_s']:.3f}), {facts['verified']}; in the log")
    if facts.get("still_stopped"):
        out.append("Cell    it still says that it had stopped: new cell, then set it again")
    return out
