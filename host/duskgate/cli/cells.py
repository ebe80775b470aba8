"""Lines of text -> cells of a screen, so that only cells that changed are written."""

import unicodedata
from collections.abc import Iterator

from ..plaintext import shown

BLANK = " "
SECOND = ""  # the second cell of a wide sign (Unicode Standard Annex 11: W and F)


def cells(line: str, width: int, encoding: str = "utf-8") -> list[str]:
    """Exactly `width` cells of a line: what a terminal would obey is shown as marks, signs it lacks as escapes.

    A mark on a letter stands in the letter's cell. A wide sign takes two cells; cut in half by the edge it is left out.
    """
    text = shown(line).encode(encoding, "backslashreplace").decode(encoding)
    row: list[str] = []
    for sign in text:
        if unicodedata.category(sign) in ("Mn", "Me"):
            if row:
                row[-2 if row[-1] == SECOND else -1] += sign
            continue
        wide = unicodedata.east_asian_width(sign) in ("W", "F")
        if len(row) + 1 + wide > width:
            break
        row += [sign, SECOND] if wide else [sign]
    return row + [BLANK] * (width - len(row))


def changes(old: list[str] | None, new: list[str]) -> Iterator[tuple[int, str]]:
    """(column from 0, text) of each run of cells that differ; `old` None: nothing is known of the screen.

    A run ends after a sign beyond ASCII: terminals disagree on how wide some are, so what follows is placed anew.
    """
    start, run = 0, ""
    for column, cell in enumerate(new):
        same = old is not None and column < len(old) and old[column] == cell
        # half a wide sign gone makes the terminal blank the other half, and both are then in `new` as changed
        if (same or (run and not run[-1].isascii() and cell != SECOND)) and run:
            yield start, run
            run = ""
        if not same and cell != SECOND:
            start, run = (start, run + cell) if run else (column, cell)
    if run:
        yield start, run
