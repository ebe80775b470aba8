"""One figure of a night as PNG or SVG. It takes kaleido and a browser, which draws it; both are optional."""

from __future__ import annotations

from typing import Any

from ..errors import UsageError
from ..plaintext import shown
from ..plots import style

FORMS = ("png", "svg")
SIZE = {"width": 1200, "height": 675}
SCALE = {"png": 2, "svg": 1}
NEED = "pip install 'duskgate[pictures]' and a Chromium or Chrome browser; an .html file needs neither"


def picture(figure: dict[str, Any], form: str, heading: str) -> bytes:
    """The figure (data and layout, as `plots.describe` gives them) drawn as `form`, `heading` before its own title.

    Raises UsageError where the parts that draw it are missing or fail.
    """
    import plotly.io

    try:
        import kaleido  # noqa: F401 # pyright: ignore[reportMissingImports]  # plotly asks late and at length
    except ImportError as error:
        raise UsageError(f"a .{form} picture needs what is not installed: {NEED}") from error
    try:
        return plotly.io.to_image(
            headed(_safe(figure), heading), format=form, scale=SCALE[form], validate=False, **SIZE
        )
    except Exception as error:  # whatever a browser that does not start makes of it
        why = str(error).strip().splitlines()[0][:120] if str(error).strip() else type(error).__name__
        raise UsageError(f"the .{form} picture could not be drawn ({why}): it needs {NEED}") from error


def headed(figure: dict[str, Any], heading: str) -> dict[str, Any]:
    """The figure with a title that also says what stands around it on a page."""
    layout = figure["layout"]
    title = layout.get("title") or {}
    text = f"{style.plain(shown(heading))}: {title.get('text', '')}"
    return {**figure, "layout": {**layout, "title": {**title, "text": text, "x": 0.02}}}


def _safe(thing: Any) -> Any:
    """The same with text in which nothing is hidden."""
    if isinstance(thing, str):
        return shown(thing)
    if isinstance(thing, dict):
        return {key: _safe(value) for key, value in thing.items()}
    return [_safe(value) for value in thing] if isinstance(thing, (list, tuple)) else thing
