"""Text that tries to be more than text: for terminals, for the page, for figures, for spreadsheets."""

import unicodedata

from hypothesis import strategies as st

TERMINAL = [
    "\x1b]52;c;ZWNobyBoaQ==\x07",  # OSC 52 writes the clipboard
    "\x1b]0;title\x07",
    "\x1b[2J\x1b[H",
    "\x1b[6n",  # the terminal answers as if typed
    "\x1bP+q544e\x1b\\",
    "\x9b31m",
    "\x9d52;c;AA==\x9c",
    "\x90q\x9c",
    "a\rduskgate: all is well",
    "a\b\b\bxyz",
    "line\nduskgate: forged",
    "\x07\x00\x7f\x85\u2028\u2029\x0b\x0c",
]
UNSEEN = [
    "gpj.\u202egnp",
    "\u2066\u2067\u2068\u2069\u061c\u200e\u200f",
    "zero\u200bwidth\u200d\u2060\ufeff\u00ad",
    "\u3164\u115f\u2800",
]
HTML = [
    "</script><script>alert(1)</script>",
    "<!--<script>",
    "]]><svg/onload=alert(2)>",
    "<img src=x onerror=alert(3)>",
    "\"' onmouseover=alert(4) x='",
    "javascript:alert(5)",
    "{{ 7*7 }}{% include 'x' %}${7*7}",
    "&lt;b&gt;&#x3c;b>",
    '<a href="https://example.org/">click</a>',
    "<b>bold</b><br><sup>up</sup>%{x}<extra></extra>",
    "</style><style>*{display:none}</style>",
    "</textarea></title></noscript><base href=//example.org>",
]
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=cmd|' /C calc'!A0", "'=1"]
ALL = [*TERMINAL, *UNSEEN, *HTML, *FORMULAS]
PARTS = st.one_of(st.sampled_from(ALL), st.text(max_size=12))
TEXTS = st.lists(PARTS, min_size=1, max_size=4).map("".join)
OBEYED = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def obeyed(text: str) -> list[str]:
    """Signs in a line that a terminal would obey or a reader could not see."""
    return [f"{ord(c):04x}" for c in text if unicodedata.category(c) in OBEYED]
