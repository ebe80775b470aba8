"""Text from boards, files and people made safe to look at, on a terminal and on the page.

A terminal obeys control characters (ECMA-48; C1 codes such as 9B too), and signs of direction and of no width make a
line read otherwise than it is written (Unicode Technical Report 36). Each such character is shown as a mark that names
it, `<U+202E>`; everything else stays as it is.
"""

from __future__ import annotations

import unicodedata

# Cc control, Cf format (direction, width, tags), Cs halves of pairs, Co private use, Zl and Zp line and paragraph ends
MARKED = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
# Drawn as nothing although they count as letters, marks or signs: Default_Ignorable_Code_Point of Unicode and U+2800
UNSEEN = frozenset(
    (
        *(0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x180B, 0x180C, 0x180D, 0x180F, 0x2800, 0x3164, 0xFFA0),
        *range(0xFE00, 0xFE0E),
        *range(0xE0100, 0xE01F0),
    )
)
MOST_ON_TOP = 3  # marks on one letter that a language may need; more climb over the lines above


def shown(text: object) -> str:
    """The text in one line, with a visible mark in the place of each character that is obeyed or cannot be seen."""
    said = str(text)
    if said.isascii() and said.isprintable():
        return said
    out: list[str] = []
    on_top = 0
    for sign in said:
        kind = unicodedata.category(sign)
        on_top = on_top + 1 if kind in ("Mn", "Me") else 0
        hidden = kind in MARKED or ord(sign) in UNSEEN or on_top > MOST_ON_TOP
        out.append(f"<U+{ord(sign):04X}>" if hidden else sign)
    return "".join(out)


def is_plain(text: str) -> bool:
    """Whether `shown` leaves the text as it is."""
    return shown(text) == text
