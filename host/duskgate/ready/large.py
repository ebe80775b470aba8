"""Words and figures in letters five rows tall, to be read at arm's length. Pure."""

from __future__ import annotations

PIXEL = "#"
ROWS = 5
# five rows of each sign; every letter that a word of `words.py` or of `check` needs, and the figures
LETTERS = {
    "0": "###|# #|# #|# #|###", "1": "## | # | # | # |###", "2": "###|  #|###|#  |###", "3": "###|  #|###|  #|###",
    "4": "# #|# #|###|  #|  #", "5": "###|#  |###|  #|###", "6": "###|#  |###|# #|###", "7": "###|  #|  #|  #|  #",
    "8": "###|# #|###|# #|###", "9": "###|# #|###|  #|###", ":": " |#| |#| ", ".": " | | | |#",
    "-": "   |   |###|   |   ",
    " ": "  |  |  |  |  ", "!": "#|#|#| |#", "s": "    | ###|##  |  ##|### ",
    "A": " # |# #|###|# #|# #", "B": "## |# #|## |# #|## ", "C": " ##|#  |#  |#  | ##", "D": "## |# #|# #|# #|## ",
    "E": "###|#  |## |#  |###", "F": "###|#  |## |#  |#  ",
    "G": " ##|#  |# #|# #| ##", "I": "###| # | # | # |###", "K": "# #|# #|## |# #|# #",
    "L": "#  |#  |#  |#  |###", "M": "#   #|## ##|# # #|#   #|#   #", "N": "#  #|## #|# ##|#  #|#  #",
    "O": "###|# #|# #|# #|###", "R": "## |# #|## |# #|# #", "S": "###|#  |###|  #|###", "T": "###| # | # | # | # ",
    "U": "# #|# #|# #|# #|###", "W": "#   #|#   #|# # #|## ##|#   #", "Y": "# #|# #| # | # | # ",
}  # fmt: skip
SCALES = (2, 1)  # columns of a pixel: terminal cells are about twice as tall as wide, so two look square


def large(text: str, width: int, pixel: str = PIXEL) -> list[str]:
    """The text in five rows, in the widest letters that `width` columns hold; as it is, in one row, where none do.

    Raises KeyError for a sign without a letter: the words that are shown large are ours.
    """
    rows = [" ".join(LETTERS[sign].split("|")[row] for sign in text) for row in range(ROWS)]
    for scale in SCALES:
        if len(rows[0]) * scale <= width:
            return ["".join(c * scale for c in row).replace("#", pixel) for row in rows]
    return [text]
