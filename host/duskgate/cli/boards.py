"""`duskgate boards`: what is plugged in, and how it is."""

import time
from typing import Any

import click

from ..faults import inputs_of
from .board_options import bytes_text, example, json_option, port_option
from .say import say, say_json

CLOCK_BITS = ((1, "its oscillator had stopped: set it"), (2, "no clock chip answers"), (4, "no 1 Hz wave from it"))
CLOCK_OFF_S = 2


@example("duskgate boards")
@click.command("boards")
@port_option
@json_option
def command(port: str | None, as_json: bool) -> int:
    """What is plugged in: firmware, log, nights left, clock.

    A board that does not answer is listed with the reason, and the exit code is then 3.
    """
    from ..errors import LinkError
    from ..link.port import find_ports

    found = find_ports(port)
    if not found and not as_json:
        raise LinkError("no board found on USB: plug one in (a cable that carries data), or name its port with --port")
    boards = [look(place.url) for place in found]
    if as_json:
        say_json({"boards": boards})
    else:
        for board in boards:
            say(*lines(board))
    return 3 if not boards or any("error" in board for board in boards) else 0


def look(url: str) -> dict[str, Any]:
    """Facts of the board behind a port, or why it does not answer."""
    from ..errors import LinkError
    from ..link.port import BoardLink

    try:
        with BoardLink(url) as link:
            who, state = link.who(), link.state()
            return {"port": url, "who": who, "state": state, "host_utc_s": round(time.time(), 3)}
    except LinkError as error:
        return {"port": url, "error": str(error)}


def lines(board: dict[str, Any]) -> list[str]:
    """The same for a person."""
    if "error" in board:
        return [board["port"], f"  {board['error']}"]
    who, state = board["who"], board["state"]
    nights = f"room for {state['nights_left']:.3g} more nights (store {state['store']})"
    out = [
        f"{board['port']}: board {who['board']}, firmware {who['firmware']} on {who.get('interpreter', 'unknown')}",
        f"  log     {bytes_text(state['unpulled_bytes'])} not pulled yet, {nights}",
        f"  clock   {clock_line(state, board['host_utc_s'])}",
    ]
    if isinstance(state.get("supply_mv"), int) and state["supply_mv"] > 0:
        out.append(f"  supply  {state['supply_mv'] / 1000:.2f} V")
    for where in ("ring_lost", "store_lost"):
        if state.get(where):
            out.append(f"  lost    {state[where]} records since start ({where.removesuffix('_lost')})")
    out += [f"  fault   {fault}" for fault in state.get("faults") or []]
    return out + [f"  input   {said.text}" for said in inputs_of(state)]


def clock_line(state: dict[str, Any], host_utc_s: float) -> str:
    """How far the clock chip is from this computer, or what is wrong with it."""
    wrong = [text for bit, text in CLOCK_BITS if state["clock_state"] & bit]
    second = state.get("clock_second")
    if second is None:
        return "not known yet" if not wrong else "; ".join(wrong)
    # the board tells the second that is running: half of it has passed on average
    off = second + 0.5 - host_utc_s
    near = abs(off) <= CLOCK_OFF_S
    said = f"within {CLOCK_OFF_S} s of this computer" if near else f"{off:+,.0f} s against this computer: set it"
    return "; ".join([said, *wrong])
