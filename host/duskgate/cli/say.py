"""The one way out to the terminal: everything that a command prints goes through here.

Names, notes, board answers and file names come from outside. What a terminal would obey is shown as marks, one line
given is one line printed, and signs that the terminal's encoding lacks are written as escapes instead of failing.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterable
from typing import Any

import click

from ..plaintext import shown


def say(*lines: object, err: bool = False) -> None:
    """Print each of these as one line; with `err` on the error stream."""
    for line in lines:
        click.echo(_writable(shown(line), err), err=err)


def say_json(thing: Any) -> None:
    """Print as JSON for scripts: ASCII alone, every other character as an escape."""
    click.echo(json.dumps(thing, indent=1).replace("\x7f", "\\u007f"))


def say_answer(thing: Any, lines: Iterable[object], as_json: bool) -> None:
    """The answer of a command: as JSON, or its lines for a person."""
    if as_json:
        say_json(thing)
    else:
        say(*lines)


def say_usage(error: click.ClickException) -> None:
    """What click says of wrong use, through the same way out."""
    text = io.StringIO()
    error.show(text)
    say(*text.getvalue().split("\n")[:-1], err=True)


def ask_for(question: str, **how: Any) -> Any:
    """`click.prompt` with a question that may hold text from outside."""
    return click.prompt(_writable(shown(question), bool(how.get("err"))), **how)


def ask_yes(question: str, **how: Any) -> bool:
    """`click.confirm`, likewise."""
    return click.confirm(_writable(shown(question), bool(how.get("err"))), **how)


def _writable(text: str, err: bool) -> str:
    encoding = getattr(sys.stderr if err else sys.stdout, "encoding", None) or "utf-8"
    return text.encode(encoding, "backslashreplace").decode(encoding)
