"""One tree of errors; each carries the exit code of the command that meets it.

A message is one line for a field person: what is wrong, where, and what to do.
"""


def shown(value: object, most: int = 60) -> str:
    """Text from a file or a board as it may stand in a message: one line, printable, at most `most` characters."""
    text = value if isinstance(value, str) else type(value).__name__
    return "".join(c if c.isprintable() else "?" for c in text[:most])


def ahead_text(off_s: float) -> str:
    """'2.5 h behind', '365.0 days ahead of'."""
    size, unit = next((s, u) for s, u in ((86_400, "days"), (3600, "h"), (60, "min")) if abs(off_s) >= s or s == 60)
    return f"{abs(off_s) / size:.1f} {unit} {'ahead of' if off_s > 0 else 'behind'}"


class DuskgateError(Exception):
    """Base of every error that is not a bug of ours."""

    exit_code = 2


class UsageError(DuskgateError):
    """The request itself cannot be carried out (wrong option, file in the way)."""


class SiteFileError(UsageError):
    """The site file has a mistake; the message names the file and the line."""


class LinkError(DuskgateError):
    """The board cannot be reached, or the conversation with it broke off."""

    exit_code = 3


class BoardRefused(LinkError):
    """The board understood and said no. `code` is one of FORMAT.md's refusal codes."""

    def __init__(self, code: str, text: str):
        super().__init__(text)
        self.code = code


class DamagedLog(DuskgateError):
    """A log could not be read whole; what could be read was reported."""

    exit_code = 4


class NothingToAnswer(DuskgateError):
    """Nothing of what was asked can be answered from the data."""

    exit_code = 5


class NotReady(DuskgateError):
    """`check` found something that has to be mended before dusk."""

    exit_code = 6
