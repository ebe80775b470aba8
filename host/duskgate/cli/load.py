"""`duskgate load`: the firmware onto the board."""

import contextlib
import time
from typing import Any

import click

from ..errors import BoardRefused, DuskgateError, LinkError, UsageError
from .board_options import bytes_text, example, in_terminal, port_option
from .say import say

BACK_S = 45.0  # a restart with its grace, a new start of USB, and a computer that takes its time
ON_A_CHIP = 1  # interpreter_kind of a real board


@example("duskgate load --dry-run")
@click.command("load")
@click.option("--dry-run", is_flag=True, help="Change nothing: say what is on the board and what would be put there.")
@click.option("--older", is_flag=True, help="Put this firmware on even where the board's is newer.")
@click.option("--source", is_flag=True, help="Put plain source on, not compiled for the board: it starts later.")
@port_option
def command(dry_run: bool, older: bool, source: bool, port: str | None) -> None:
    """Put the firmware on the board, or renew it. Log and settings stay as they are.

    The files are compiled here for the board's MicroPython where that can be done, else loaded as source, which the
    board compiles at each start. After another MicroPython was put on the board, load again.

    The running log is committed first. What is new is sent beside the old firmware and checked on the board before
    anything is exchanged, so that a load that is cut leaves the old firmware whole, and the next load goes on. At the
    end every file is checked, the board restarts and logs, and is asked for its version.
    """
    from ..link import install
    from ..link.port import find_ports, one_port

    files = install.firmware_files()
    version = install.version_of(files)
    size = bytes_text(sum(map(len, files.values())))
    say(f"Firmware {version} in this tool: {len(files)} files, {size}.")
    if dry_run and not find_ports(port):
        say("No board is plugged in. Nothing was changed.")
        return
    url = one_port(port)
    who = answer_of(url)
    say(board_line(url, who))
    if dry_run:
        say("Nothing was changed (dry run).")
        return
    refuse(who, version, older)
    put(url, who, files, source)
    told = wait_for_logger(url)
    if told["firmware"] != version:
        raise LinkError(f"the board answers as firmware {told['firmware']}, not {version}: load again")
    say(f"Board {told['board']} logs with firmware {told['firmware']} on {told.get('interpreter', 'unknown')}.")


def answer_of(url: str) -> dict[str, Any] | None:
    """`who` of the firmware that runs; None where none answers. A port that cannot be opened raises LinkError."""
    from ..link.port import BoardLink

    with BoardLink(url, silence_s=1.0) as link:
        try:
            return link.ask("who", tries=2).facts
        except LinkError:
            return None


def board_line(url: str, who: dict[str, Any] | None) -> str:
    """What runs on the board now."""
    if who is None:
        return f"{url}: no Duskgate firmware answers there."
    return f"{url}: board {who.get('board')}, firmware {who.get('firmware')} on {who.get('interpreter', 'unknown')}."


def refuse(who: dict[str, Any] | None, version: str, older: bool) -> None:
    """Raise UsageError for a simulated board, or for a firmware newer than ours."""
    if who is None:
        return
    if who.get("interpreter_kind", ON_A_CHIP) != ON_A_CHIP:
        raise UsageError("this is a simulated board: it runs this tool's own firmware already, nothing to load")
    newer = numbers(who.get("firmware", "")) > numbers(version)
    if newer and not older:
        raise UsageError(
            f"the board's firmware {who['firmware']} is newer than this tool's {version}: renew this tool, "
            "or say --older to put the older one on"
        )


def numbers(version: str) -> tuple[int, ...]:
    """ "0.10.1" -> (0, 10, 1); what is no number counts as 0."""
    return tuple(int(part) if part.isdigit() else 0 for part in str(version).split("."))


def made_for(board: Any, files: dict[str, bytes], source: bool) -> dict[str, bytes]:
    """The files as they go on that board: compiled, or as they are where that is wished or cannot be."""
    from ..link.compiled import NotCompiled, compiled

    if source:
        return files
    try:
        made = compiled(files, board.mpy)
        say(f"Compiled for this board's MicroPython: {bytes_text(sum(map(len, made.values())))}.")
        return made
    except NotCompiled as why:
        say(f"Source is loaded, the board compiles it at each start: {why}.")
        return files


def put(url: str, who: dict[str, Any] | None, files: dict[str, bytes], source: bool) -> None:
    """Bring the board to its prompt without a watchdog, exchange the files, restart it.

    A load that fails restarts the board as well: it would stay at its prompt and not log.
    """
    held = who is not None and hold(url)
    try:
        load_at_prompt(url, held, files, source)
    except (DuskgateError, KeyboardInterrupt):
        log_again(url)
        raise


def log_again(url: str) -> None:
    """Restart the board, if it can be reached."""
    from ..link import install

    with contextlib.suppress(LinkError):
        transport = install.prompt_when_back(url, 0.0)
        install.Installer(transport).reset()
        install.close_prompt(transport)


def load_at_prompt(url: str, held: bool, files: dict[str, bytes], source: bool) -> None:
    """Exchange the files and restart. `held`: the firmware was asked to come up without logging."""
    from ..link import install
    from .pull import Bar

    transport = install.prompt_when_back(url, BACK_S if held else 0.0)
    try:
        installer = install.Installer(transport)
        board = installer.look()
        install.refuse_wrong(board)
        if not held and installer.has("chip/reset.py"):
            # a program of ours that did not answer may have left its watchdog running, which nothing but a restart ends
            installer.hold()
            install.close_prompt(transport)
            time.sleep(1.0)
            transport = install.prompt_when_back(url, BACK_S)
            installer = install.Installer(transport)
        made = made_for(board, files, source)
        with Bar(in_terminal(), "Loading") as bar:
            done = installer.load(made, bar)
        say(load_line(done))
        if board.version < install.ADVISED:
            say("MicroPython 1.28 will do; 1.29 mends faults of its USB link.")
        installer.reset()
    finally:
        install.close_prompt(transport)


def hold(url: str) -> bool:
    """Commit the log and have the firmware restart without logging. False where it does not know how."""
    from ..link.port import BoardLink

    with BoardLink(url) as link:
        try:
            link.commit()
        except BoardRefused as refused:
            say(f"duskgate: {refused}; what was committed before stays", err=True)
        try:
            link.restart("hold")
        except LinkError as error:
            say(f"duskgate: {error}; the board is stopped at its prompt instead", err=True)
            return False
    time.sleep(1.0)
    return True


def load_line(done: Any) -> str:
    """What the load did."""
    if done.idle:
        return f"All {done.same} files are on the board already."
    sent = bytes_text(len(done.packed) - done.kept)
    parts = [f"{len(done.write)} files written ({bytes_text(done.bytes)}, sent as {sent}), each checked on the board"]
    parts += [f"{bytes_text(done.kept)} kept from a load that was cut"] if done.kept else []
    parts += [f"{done.same} were there already"] if done.same else []
    parts += [f"{len(done.remove)} old ones removed"] if done.remove else []
    return "; ".join(parts) + ". Log and settings are untouched."


def wait_for_logger(url: str) -> dict[str, Any]:
    """`who` of the restarted board. Raises LinkError when it does not come."""
    from ..link.port import BoardLink

    end = time.monotonic() + BACK_S
    while True:
        try:
            with BoardLink(url, silence_s=1.0) as link:
                return link.who()
        except LinkError as error:
            if time.monotonic() > end:
                raise LinkError(
                    f"the firmware is on the board, but the logger does not answer ({error}): plug it in again; "
                    "its file crash.txt says what stopped it"
                ) from error
        time.sleep(0.5)
