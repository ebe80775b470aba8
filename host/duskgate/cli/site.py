"""`duskgate site`: write a site file by asking, or check one."""

from pathlib import Path
from typing import Any

import click

from .board_options import example
from .say import ask_for, ask_yes, say

HEADS_AT_MOST = 4


@example("duskgate site --defaults --file site.toml")
@click.command("site")
@click.option(
    "--file",
    "path",
    type=click.Path(path_type=Path),
    default=Path("site.toml"),
    show_default=True,
    help="The site file.",
)
@click.option("--defaults", is_flag=True, help="Ask nothing: write the invented example, to be edited by hand.")
@click.option("--check", is_flag=True, help="Write nothing: say whether the file is sound.")
def command(path: Path, defaults: bool, check: bool) -> None:
    """Write a commented site file: place, path from beam to light, heads, camera, cells.

    Press Enter where you do not know: that line stays a remark, and what depends on it says so. A file that is there is
    never overwritten.
    """
    from .. import sitefile
    from ..errors import UsageError
    from ..tables import write_whole

    if check:
        site = sitefile.load(path)
        say(f"{path}: sound. {site.name}, zone {site.zone}, {len(site.heads)} heads.")
        return
    if path.exists() or path.is_symlink():
        raise UsageError(f"{path} is there already and is not overwritten: edit it, or name another with --file")
    text = sitefile.template(None if defaults else ask())
    sitefile.parse(text, str(path))
    write_whole(path, text.encode("utf-8"))
    said = "the invented example; put your own values in" if defaults else "what you said; the rest is there as remarks"
    say(f"{path}: written with {said}.")


def ask() -> dict[str, Any]:
    """The answers as `sitefile.template` takes them; what was left empty is left out."""
    from ..sitefields import Animal, Camera, Head, Site, Supply

    values = _ask_block(Site, ("name", "latitude_deg", "longitude_deg", "zone", "path", "beam_source"))
    values["animal"] = _ask_block(Animal, ("label", "speed_m_s", "body_length_mm"), "animal")
    names = ("iso", "aperture_f", "shutter_s", "pixel_pitch_um", "focal_length_mm", "distance_m")
    values["camera"] = _ask_block(Camera, names, "camera")
    values["logger"] = _ask_block(Supply, ("chemistry", "cells", "capacity_mah", "cutoff_mv"), "logger")
    count = ask_for("How many flash heads", default=3, type=click.IntRange(0, HEADS_AT_MOST))
    keys = ("name", "power", "guide_number_m", "guide_number_iso", "distance_m", "chemistry", "cells", "capacity_mah")
    heads: list[dict[str, Any]] = []
    for number in range(1, count + 1):
        if heads and ask_yes(f"Is head {number} the same as head {number - 1}", default=True):
            heads.append({**heads[-1], "name": f"head {number}"})
        else:
            heads.append({"name": f"head {number}", **_ask_block(Head, keys, f"head {number}")})
    return {**values, "heads": heads}


def _ask_block(kind: type, names: tuple[str, ...], title: str = "") -> dict[str, Any]:
    rules = {f.name: f for f in _fields(kind)}
    found = {}
    for name in names:
        answer = _ask(
            rules[name], f"{title}: {rules[name].metadata['help']}" if title else rules[name].metadata["help"]
        )
        if answer is not None:
            found[name] = answer
    return found


def _fields(kind: type) -> tuple:
    import dataclasses

    return dataclasses.fields(kind)


def _ask(rule: Any, question: str) -> Any:
    """One answer, checked as the reader of the file would check it; None for an empty one."""
    from .. import sitefile
    from ..errors import SiteFileError

    choices = rule.metadata.get("choices")
    if choices:
        question = f"{question} [{', '.join(choices)}]"
    default = rule.default if rule.default not in (None, "", ()) else ""
    while True:
        said = ask_for(question, default=str(default), show_default=default != "").strip()
        if not said:
            return None
        value = _number(said) if rule.metadata["kind"] in ("number", "whole", "power") else said
        try:
            sitefile.check_value(rule.name, value, rule.metadata)
        except SiteFileError as error:
            say(f"  {error}")
        else:
            return value


def _number(said: str) -> Any:
    """A decimal comma is what many keyboards give; text that is no number is left to the check."""
    for convert in (int, float):
        try:
            return convert(said.replace(",", "."))
        except ValueError:
            continue
    return said
