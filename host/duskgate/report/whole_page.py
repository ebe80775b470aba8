"""One HTML file from a template of this folder and its figures: what all pages share. It needs no network.

A page is `whole_page("its.html.j2", facts, figures)`. Its template begins with `{% extends "base.html.j2" %}`, takes
`table` and `figure` from `parts.html.j2`, and fills the blocks `title`, `heading` and `main`; all that it says comes
from `facts`. `figures` holds data and layout of each figure by name (`plots.describe`); the place of a figure is made
by the macro `figure`.

The plotly library is embedded once. The content security policy names the hashes of the two embedded scripts and
allows nothing else to run and nothing to be fetched. Style elements are allowed in line because plotly makes three of
its own when it starts, one of them with a text that changes with its version; style attributes are not (plotly sets
styles through the DOM, which a policy leaves alone), and nothing that a style names could be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from ..plaintext import shown
from ..plots import style

TEMPLATES = Path(__file__).parent / "templates"
LOOK_WORDS = {"day": "Day", "red": "Dim red", "paper": "Paper"}


def whole_page(template: str, facts: dict, figures: dict[str, dict]) -> str:
    """The page as text (UTF-8). `figures`: name -> {"data", "layout"} as plain dicts with numpy arrays."""
    library, own = script_safe(get_plotlyjs()), script_safe(_read("page.js"))
    return (
        _environment()
        .get_template(template)
        .render(
            facts=facts,
            library=Markup(library),
            own=Markup(own),
            css=Markup(looks_css() + _read("page.css") + _read("scene.css") + _own_css(template)),
            policy=policy([library, own]),
            figures=Markup(json_for_script({name: placed(figure) for name, figure in figures.items()})),
            swaps=Markup(json_for_script(style.swaps())),
            looks=LOOK_WORDS,
        )
    )


def _own_css(template: str) -> str:
    """The style of one page alone, from the file of its name; nothing where it needs none."""
    own = TEMPLATES / template.replace(".html.j2", ".css")
    return own.read_text(encoding="utf-8") if own.is_file() else ""


def placed(figure: dict) -> dict:
    """A figure for a page; its title is left to the page's heading, so that it wraps on a phone."""
    layout = {key: value for key, value in figure["layout"].items() if key != "title"}
    return packed({"data": figure["data"], "layout": {**layout, "margin": {**layout["margin"], "t": 30}}})


def packed(thing):
    """The same for JSON: numpy arrays as plotly's typed arrays (type, base64 of the bytes), NaN elsewhere as null, text
    without hidden signs."""
    if isinstance(thing, str):
        return shown(thing)
    if isinstance(thing, dict):
        return {key: packed(value) for key, value in thing.items()}
    if isinstance(thing, (list, tuple)):
        return [packed(value) for value in thing]
    if hasattr(thing, "dtype"):
        return _packed_array(thing)
    return None if isinstance(thing, float) and not math.isfinite(thing) else thing


def _packed_array(thing):
    """A numpy array or number for `packed`."""
    if getattr(thing, "ndim", 0) == 0:
        return packed(thing.item())
    if thing.dtype.kind not in "iuf":
        return [packed(value) for value in thing.tolist()]
    wide = thing.astype("<f8")
    return {"dtype": "f8", "bdata": base64.b64encode(wide.tobytes()).decode()}


def _read(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=seen,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["sentence"] = sentence
    return env


def seen(value: object) -> object:
    """What the template puts out, before it is escaped: text with a mark for each sign of direction or no width."""
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def sentence(text: str) -> str:
    """Text with a capital at its beginning and a full stop at its end."""
    text = str(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def script_safe(code: str) -> str:
    """Our own or the library's script text; refused when it could end its element or open a comment in HTML."""
    if re.search(r"</script|<!--|<script", code, re.IGNORECASE):
        raise ValueError("a script to be embedded holds text that would end or upset its element")
    return code


def json_for_script(thing: object) -> str:
    """JSON that cannot leave a script element: <, > and & as escapes, and no line separators of old script readers."""
    text = json.dumps(thing, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def policy(scripts: list[str]) -> str:
    """Content security policy that lets only these script texts run (CSP level 2 hashes) and fetches nothing."""
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; style-src-attr 'none'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def looks_css() -> str:
    """One design, three looks: each role as a CSS variable."""

    def block(selector: str, k: int) -> str:
        rows = "".join(f"--{role.replace('_', '-')}:{c[k]};" for role, c in style.ROLES.items())
        return f"{selector}{{{rows}}}"

    css = [block(":root", 0), block(':root[data-look="red"]', 1), block(':root[data-look="paper"]', 2)]
    return "\n".join([*css, f"@media print{{{block(':root,:root[data-look]', 2)}}}", ""])
