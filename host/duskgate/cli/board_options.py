"""Options and texts that the commands which talk to a board share."""

import sys
from collections.abc import Callable
from typing import Any

import click

port_option = click.option(
    "--port",
    envvar="DUSKGATE_PORT",
    metavar="PORT",
    help="Port of the board (a device, or socket://host:port). Default: DUSKGATE_PORT, else the only board on USB.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON, for scripts.")


def example(text: str) -> Callable[[Any], Any]:
    """Give a command's help an example that can be typed as it stands (a test runs each)."""

    def put(command: click.Command) -> click.Command:
        command.epilog = f"\b\nExample:\n  {text}"
        return command

    return put


def bytes_text(n: float) -> str:
    """Number of bytes for a person."""
    return f"{n:.0f} bytes" if n < 10_000 else f"{n / 1000:.0f} kB" if n < 10_000_000 else f"{n / 1e6:.1f} MB"


def in_terminal() -> bool:
    """Whether progress is watched by a person; it goes to the error stream, so that output stays clean."""
    return sys.stderr.isatty()
