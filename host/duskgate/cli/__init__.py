"""The command line: commands are loaded when they are called, and every error leaves through one place.

Exit codes: 0 fine, 1 a fault of ours, 2 wrong use or a faulty site file, 3 no link, 4 damaged log, 5 nothing asked for
can be answered, 6 not ready (`errors.py`). 130 when stopped by the user.
"""

import importlib
import importlib.util
import os
import sys
import traceback
from typing import Any

import click

from .. import __version__
from ..errors import DuskgateError

STOPPED = 130
# Our matrices are small: threads of the linear algebra wait for one another by spinning. A night took 16.7 s of the
# processor with two threads and 4.5 s with one while the computer had other work. numpy reads these when it is loaded.
for _threads in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_threads, "1")
# command -> (module of this folder, what `duskgate --help` says). The module holds a click command of that name.
COMMANDS = {
    "demo": ("demo", "A simulated night through the real firmware: log, page and tables, no hardware needed."),
    "site": ("site", "Write a site file by asking: place, heads, camera, cells."),
    "boards": ("boards", "What is plugged in: firmware, log, nights left, clock."),
    "load": ("load", "Put the firmware on the board, or renew it; log and settings stay."),
    "clock": ("clock", "Set the board's clock by this computer's, and say how far it had drifted."),
    "plan": ("plan", "Tonight: when to set up and start, how to set camera and heads, what to expect and bring."),
    "check": ("check", "Before dusk: is the wired rig ready, or what to mend first."),
    "watch": ("watch", "Live at night: visits, fires, misses, time since the last fire, supply."),
    "bench": ("bench", "Fire the rig and measure: delay of each head, skew, recycle time."),
    "pull": ("pull", "Copy what is new from the board into the logbook, checked and safe."),
    "logbook": ("logbook", "Is every pulled log still whole? Checks all files again, and how they fit together."),
    "note": ("note", "Write into the board's log what was done: refilled, cells changed, beam moved."),
    "night": ("night", "A night's report: what came, what was caught, what was missed and why."),
    "export": ("export", "A night for other programs: tables, capture, value change dump, camera package, figures."),
    "season": ("season", "Several nights together: the best hours and how sure, moon, trend, two rigs compared."),
    "delay": ("delay", "The rig's delay by path and head, rigs side by side, and where to put the beam for it."),
}


class LazyCommands(click.Group):
    """Group whose `--help` loads no command, and whose `main` turns every error into one line and its exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of a night's work; a command whose module is not there is not listed."""
        return [name for name, (module, _) in COMMANDS.items() if _there(module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load the command's module."""
        if cmd_name not in self.list_commands(ctx):
            return None
        module = importlib.import_module(f"{__name__}.{COMMANDS[cmd_name][0]}")
        return next(v for v in vars(module).values() if isinstance(v, click.Command) and v.name == cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List of commands from the table, without loading any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in self.list_commands(ctx)])

    def main(self, args: Any = None, prog_name: str | None = None, *rest: Any, **extra: Any) -> Any:
        """Run and leave with the exit code that belongs to what happened."""
        words = list(sys.argv[1:] if args is None else args)
        extra["standalone_mode"] = False
        try:
            code = super().main(words, prog_name or "duskgate", *rest, **extra)
        except DuskgateError as error:
            code = _say(error, error.exit_code, "--traceback" in words)
        except click.ClickException as error:
            _say_usage(error)
            code = error.exit_code
        except (click.Abort, KeyboardInterrupt):
            _tell("duskgate: stopped")
            code = STOPPED
        except BrokenPipeError:
            # the reader of our output has gone, like `head`; a second error at exit would say nothing more
            sys.stdout = None
            code = 0
        except Exception as error:
            code = _say_bug(error, "--traceback" in words)
        sys.exit(code if isinstance(code, int) else 0)


def _there(module: str) -> bool:
    return importlib.util.find_spec(f"{__name__}.{module}") is not None


def _say(error: DuskgateError, code: int, with_traceback: bool) -> int:
    if with_traceback:
        _tell(*_trace(error))
    _tell(f"duskgate: {' '.join(str(error).split())}")
    return code


def _say_bug(error: Exception, with_traceback: bool) -> int:
    """One line for what nobody foresaw; the log and the board are never changed by a report going wrong."""
    if with_traceback:
        _tell(*_trace(error))
    what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
    hint = "" if with_traceback else "; run it again as `duskgate --traceback ...` and send us what it prints"
    _tell(f"duskgate: this is a bug of ours ({what}){hint}")
    return 1


def _trace(error: Exception) -> list[str]:
    return "".join(traceback.format_exception(error)).splitlines()


def _tell(*lines: str) -> None:
    from .say import say

    say(*lines, err=True)


def _say_usage(error: click.ClickException) -> None:
    from .say import say_usage

    say_usage(error)


@click.command(
    cls=LazyCommands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command explains itself: `duskgate pull --help`.",
)
@click.version_option(__version__, prog_name="duskgate", message="%(prog)s %(version)s")
@click.option("--traceback", is_flag=True, help="Show where in the program an error arose.")
def main(traceback: bool) -> None:
    """Knows what came to the feeder's beam at night, what the flashes did, and what was missed and why.

    A night's work: `check` before dusk, `watch` meanwhile, `pull` in the morning, then `night`.
    """
