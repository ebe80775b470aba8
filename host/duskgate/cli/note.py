"""`duskgate note`: timed events in the board's log."""


import click

from .board_options import example, json_option, port_option
from .say import say_answer


@example("duskgate note cells --head 2")
@click.command("note")
@click.argument("what", type=click.Choice(["refilled", "cells", "moved", "text"]))
@click.argument("text", required=False, default="")
@click.option("--head", type=click.IntRange(1, 4), help="Flash head that the note is about (1 to 4).")
@port_option
@json_option
def command(what: str, text: str, head: int | None, port: str | None, as_json: bool) -> None:
    """Write into the board's log what was done, at this moment.

    WHAT is refilled (the feeder), cells (changed; name the flash with --head), moved (the beam), or text.
    TEXT is free and short: 120 bytes at most. A change of cells starts a new recycle curve for that head.
    """
    from ..errors import UsageError
    from ..link.port import BoardLink, one_port

    if what == "text" and not text:
        raise UsageError("a note of kind text needs its text: duskgate note text 'mist from the river'")
    if what == "cells" and head is None:
        raise UsageError("which flash got new cells? name it: duskgate note cells --head 2")
    if head is not None and what != "cells":
        raise UsageError("--head goes with cells only")
    with BoardLink(one_port(port)) as link:
        facts = link.note(what, head or 0, text)
    say_answer({"what": what, "head": head, "text": text, **facts}, [f"Noted: {what}."], as_json)
