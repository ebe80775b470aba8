"""Reads and writes site files: TOML, keys with their units, every mistake named with its line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from duskgate.errors import SiteFileError, UsageError, shown
from duskgate.sitefields import LISTS, REMARKS, SECTIONS, SMALLEST_POWER, Site, step_faults
from duskgate.timebase.nights import zone_of

UNITS = {
    "deg": "degrees", "m": "metres", "mm": "millimetres", "um": "micrometres", "s": "seconds", "ms": "milliseconds",
    "us": "microseconds", "mv": "millivolts", "mah": "milliampere-hours", "m_s": "metres a second", "f": "f-number",
    "iso": "ISO", "lux": "lux", "stops": "stops", "mag": "magnitudes",
}  # fmt: skip
FOREIGN_UNITS = (
    "cm", "km", "in", "inch", "ft", "v", "volt", "volts", "ah", "wh", "min", "h", "nm", "ns", "kmh", "km_h", "mm_s",
    "mps", "rad", "sec", "secs", "meter", "meters", "metre", "metres",
)  # fmt: skip
FRACTION = re.compile(r"(\d{1,4})\s*/\s*(\d{1,5})")
NAME = r"\s*([\w.\"-]+)\s*"
KEY_LINE = re.compile(rf"\s*(?:\[\[{NAME}\]\]|\[{NAME}\]|{NAME}=)")
LONGEST_LINE = 4000  # characters
LARGEST_FILE = 200_000  # bytes; the template with many heads is a tenth of it
REMARK_AT, WIDTH = 32, 118  # columns of the template


def load(path: str | Path) -> Site:
    """Read a site file. Raises SiteFileError naming file, line and what to write instead."""
    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SiteFileError(
            f"{path}: cannot be read ({error.strerror}). Check the name and the access rights."
        ) from error
    if len(raw) > LARGEST_FILE:
        raise SiteFileError(f"{path}: {len(raw)} bytes are too many for a site file; is this another file?")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SiteFileError(f"{path}, line {line}: this is not UTF-8 text. Save the file as UTF-8.") from error
    return parse(text, str(path))


def parse(text: str, name: str = "site.toml") -> Site:
    """The same from text; `name` stands in messages."""
    long = next((number for number, line in enumerate(text.splitlines(), 1) if len(line) > LONGEST_LINE), None)
    if long:  # a key of a hundred thousand parts would keep the TOML reader busy for hours
        raise SiteFileError(f"{name}, line {long}: the line is too long for a site file; break it or shorten it.")
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SiteFileError(_toml_words(name, str(error))) from error
    except ValueError as error:  # a whole number of thousands of digits
        raise SiteFileError(f"{name}: a number in it is too long; write it with fewer digits.") from error
    except RecursionError as error:
        raise SiteFileError(f"{name}: this is nested too deeply for a site file.") from error
    return _Reader(name, _lines(text)).site(found)


def check_value(name: str, value: Any, rule: Mapping[str, Any]) -> None:
    """Check one answer as the reader of a file would. Raises SiteFileError without a place."""
    _Reader("", {}).value((name,), value, rule)


def _toml_words(name: str, text: str) -> str:
    match = re.search(r"\(at line (\d+), column (\d+)\)", text)
    what = shown(re.sub(r"\s*\(at .*\)", "", text), 120)
    place = f", line {match[1]}" if match else ""
    return f"{name}{place}: {what}. Text stands in quotes, decimals have a point, lists stand in brackets."


def _lines(text: str) -> dict[tuple[str, ...], int]:
    """Line of every table and key: ("heads", "1", "power") is the power of the second head."""
    out: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        match = KEY_LINE.match(line)
        if not match:
            continue
        one_of_several, block, plain = (part and part.replace('"', "") for part in match.groups())
        if plain:
            out.setdefault((*table, plain), number)
            continue
        if one_of_several:
            counts[one_of_several] = counts.get(one_of_several, -1) + 1
            table = (one_of_several, str(counts[one_of_several]))
        else:
            table = (str(block),)
        out.setdefault(table[:1], number)
        out.setdefault(table, number)
    return out


class _Reader:
    """Checks what TOML gave, key by key, knowing the place of each."""

    def __init__(self, name: str, lines: dict[tuple[str, ...], int]):
        self.name, self.lines = name, lines
        self.stated: set[str] = set()

    def fail(self, place: tuple[str, ...], what: str) -> SiteFileError:
        """The error that names file, line, place and what is wrong."""
        line = next((self.lines[place[:k]] for k in range(len(place), 0, -1) if place[:k] in self.lines), None)
        where = f"{self.name}{f', line {line}' if line else ''}: " if self.name else ""
        return SiteFileError(where + what)

    def site(self, found: dict[str, Any]) -> Site:
        """The whole file as a Site."""
        parts: dict[str, Any] = {}
        for section, kind in SECTIONS.items():
            if section in found:
                parts[section] = self.table((section,), found.pop(section), kind)
        for section, kind in LISTS.items():
            if section in found:
                parts[section] = self.list(section, found.pop(section), kind)
        own = self.table((), found, Site)
        site = Site(
            **{f.name: getattr(own, f.name) for f in fields(Site) if _is_key(f)}, **parts, stated=frozenset(self.stated)
        )
        self._check_whole(site)
        return site

    def list(self, section: str, entries: Any, kind: type) -> tuple:
        """A list of tables, as [[heads]]."""
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise self.fail((section,), f"write each of them as a block that begins with [[{section}]].")
        made = [self.table((section, str(i)), entry, kind) for i, entry in enumerate(entries)]
        if "name" not in _names(kind):
            return tuple(made)
        return tuple(replace(item, name=item.name or f"head {i}") for i, item in enumerate(made, 1))

    def table(self, place: tuple[str, ...], found: Any, kind: type) -> Any:
        """One table: every key known, of its type, within bounds."""
        title = place[0] if place else ""
        if not isinstance(found, dict):
            raise self.fail(place, f"{title} is a block: write [{title}] and its keys below it.")
        known = {f.name: f for f in fields(kind) if _is_key(f)}
        values: dict[str, Any] = {}
        for name, value in found.items():
            if name not in known:
                raise self.fail((*place, name), self._unknown(shown(name, 40), title, list(known)))
            values[name] = self.value((*place, name), value, known[name].metadata)
            self.stated.add(".".join((*place, name)))
        return kind(**values)

    def _unknown(self, name: str, table: str, known: list[str]) -> str:
        where = f" in [{table}]" if table else ""
        if not table:
            known = [*known, *SECTIONS, *LISTS]
        elsewhere = [s for s, kind in {**SECTIONS, **LISTS}.items() if s != table and name in _names(kind)]
        same = [k for k in known if _stem(k) == _stem(name) and _stem(name)]
        if same:
            unit = UNITS.get(_unit(same[0]), "")
            return f"the key is {same[0]}{f', in {unit}' if unit else ''}; {name} is not known{where}."
        if elsewhere:
            return f"{name} belongs in [{elsewhere[0]}], it is not known{where or ' here'}."
        close = difflib.get_close_matches(name, known, 1, 0.6)
        return f"{name} is not known{where}{f'; did you mean {close[0]}?' if close else '.'}"

    def value(self, place: tuple[str, ...], value: Any, rule: Mapping[str, Any]) -> Any:
        """One value by its rule."""
        kind = rule["kind"]
        if kind in ("number", "whole"):
            return self.number(place, value, rule, kind == "whole")
        if kind == "power":
            return self.power(place, value)
        if kind == "names":
            return self.names(place, value, rule["choices"])
        if kind == "pair":
            low, high = self.pair(place, value)
            if low >= high:
                raise self.fail(place, f"{place[-1]}: the first number must be the smaller one.")
            return low, high
        if kind == "curve":
            return self.curve(place, value)
        return self.text(place, value, rule)

    def pair(self, place: tuple[str, ...], value: Any) -> tuple[float, float]:
        """Two numbers."""
        if not isinstance(value, list) or len(value) != 2:
            raise self.fail(place, f"{place[-1]} takes two numbers in brackets, such as [0.45, 3.0].")
        first, second = (self.number(place, part, {"low": 0, "high": 1e6}, False) for part in value)
        return first, second

    def curve(self, place: tuple[str, ...], value: Any) -> tuple[tuple[float, float], ...]:
        """Rising [hours, mV] pairs of a discharge curve."""
        if not isinstance(value, list) or len(value) < 2:
            raise self.fail(place, f"{place[-1]} takes at least two pairs, such as [[0, 5400], [14, 3600]].")
        pairs = tuple(self.pair(place, part) for part in value)
        for (hour, level), (later, lower) in pairwise(pairs):
            if later <= hour or lower > level:
                raise self.fail(place, f"{place[-1]}: hours must rise and voltages must not, from pair to pair.")
        return pairs

    def text(self, place: tuple[str, ...], value: Any, rule: Mapping[str, Any]) -> str:
        """A text, or one of the words allowed."""
        if not isinstance(value, str):
            raise self.fail(place, f"{place[-1]} is {_said(value)}, it must be text in quotes.")
        if not value.isprintable() or len(value) > 200:
            raise self.fail(place, f"{place[-1]} must be one line of at most 200 characters.")
        if rule["kind"] == "zone":
            try:
                zone_of(value)
            except UsageError as error:
                raise self.fail(place, str(error)) from error
        if rule["kind"] == "choice" and value not in rule["choices"]:
            close = difflib.get_close_matches(value.lower(), [c.lower() for c in rule["choices"]], 1)
            hint = f" Did you mean {close[0]!r}?" if close else ""
            raise self.fail(place, f"{place[-1]} is {value[:40]!r}, known are {', '.join(rule['choices'])}.{hint}")
        return value

    def number(self, place: tuple[str, ...], value: Any, rule: Mapping[str, Any], whole: bool) -> Any:
        """A number within its bounds."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            unit = UNITS.get(_unit(place[-1]))
            raise self.fail(
                place, f"{place[-1]} is {_said(value)}, it must be a number{f' of {unit}' if unit else ''}."
            )
        low, high = rule["low"], rule["high"]
        if not low <= value <= high:  # also where it is nan
            raise self.fail(place, f"{place[-1]} is {_said(value)}, it must lie from {low:g} to {high:g}.")
        if whole and value != int(value):
            raise self.fail(place, f"{place[-1]} is {value}, it must be a whole number.")
        return int(value) if whole else float(value)

    def power(self, place: tuple[str, ...], value: Any) -> float:
        """A power fraction: 1/16 as text, or a number."""
        if isinstance(value, str):
            match = FRACTION.fullmatch(value.strip())
            share = int(match[1]) / int(match[2]) if match and int(match[2]) else math.nan
        else:
            share = value if isinstance(value, (int, float)) and not isinstance(value, bool) else math.nan
        if not SMALLEST_POWER <= share <= 1:
            what = (
                f'{place[-1]} is {_said(value)}, it must be a share of full power from "1/1024" to 1, such as "1/32".'
            )
            raise self.fail(place, what)
        return float(share)

    def names(self, place: tuple[str, ...], value: Any, choices: Sequence[str]) -> tuple[str, ...]:
        """A list of words out of those allowed."""
        if not isinstance(value, list) or not all(isinstance(part, str) for part in value):
            raise self.fail(place, f'{place[-1]} is a list of names, such as ["{choices[0]}"].')
        for part in value:
            if part not in choices:
                raise self.fail(place, f"{place[-1]}: {part[:40]!r} is not known, known are {', '.join(choices)}.")
        if len(set(value)) != len(value):
            raise self.fail(place, f"{place[-1]} names a channel twice.")
        return tuple(value)

    def _check_whole(self, site: Site) -> None:
        """What only several keys together can get wrong."""
        if (site.latitude_deg is None) != (site.longitude_deg is None):
            stated = "latitude_deg" if site.longitude_deg is None else "longitude_deg"
            raise self.fail((stated,), "give latitude_deg and longitude_deg, both or neither.")
        if site.channels and "BEAM" not in site.channels:
            raise self.fail(("channels",), "channels must contain BEAM.")
        taken: dict[str, int] = {}
        for i, head in enumerate(site.heads):
            for sensor in head.sensors:
                if sensor in taken:
                    what = (
                        f"{sensor} already belongs to head {taken[sensor] + 1}; a sensor can stand for one head only."
                    )
                    raise self.fail(("heads", str(i), "sensors"), what)
                taken[sensor] = i
        names: set[str] = set()
        for i, head in enumerate(site.heads):
            if head.name in names:
                raise self.fail(
                    ("heads", str(i), "name"), f"two heads are called {head.name!r}; give each its own name."
                )
            names.add(head.name)
        for i, column, what in step_faults(site):
            raise self.fail(("power_steps", str(i), column), what)


def _is_key(f: Any) -> bool:
    return "kind" in f.metadata


def _names(kind: type) -> list[str]:
    return [f.name for f in fields(kind) if _is_key(f)]


def _unit(name: str) -> str:
    return next((u for u in sorted(UNITS, key=len, reverse=True) if name.endswith(f"_{u}")), "")


def _stem(name: str) -> str:
    """A key without its unit, right or wrong: distance_m, distance_cm and distance all give distance."""
    lower = name.lower()
    for unit in sorted((*UNITS, *FOREIGN_UNITS), key=len, reverse=True):
        if lower.endswith(f"_{unit}"):
            return lower[: -len(unit) - 1]
    return lower


def _said(value: Any) -> str:
    if isinstance(value, str):
        return f"the text {value[:40]!r}"
    if isinstance(value, int) and abs(value) > 1 << 64:
        return "a number far too large"
    return {bool: "true or false", list: "a list", dict: "a block"}.get(type(value), str(value)[:40])


def template(values: Mapping[str, Any] | None = None) -> str:
    """A commented site file. values: as in the file (keys, blocks as mappings, heads as a list); the rest is commented
    out with its default or an invented example. Without values: an invented walled garden with three equal heads.
    """
    values = EXAMPLE if values is None else values
    lines = [
        "# Duskgate site file: what the rig is and where it stands. Keys end in their unit.",
        "# Lines that begin with # are not in force; the values in them are defaults or invented examples.",
        "",
        *_block(Site, values),
    ]
    for section, kind in SECTIONS.items():
        if section == "thresholds":
            continue
        lines += ["", f"# {REMARKS[section]}", f"[{section}]", *_block(kind, values.get(section, {}))]
    lines.append("")
    for section, kind in LISTS.items():
        lines.append(f"# {REMARKS[section]}")
        blocks = values.get(section, [])
        for block in blocks:
            lines += [f"[[{section}]]", *_block(kind, block), ""]
        if not blocks:
            lines += [f"# [[{section}]]", *_block(kind, {}), ""]  # every key of an empty block is commented out
    lines += [f"# {REMARKS['thresholds']}", "[thresholds]"]
    lines += _block(SECTIONS["thresholds"], values.get("thresholds", {}))
    return "\n".join(lines) + "\n"


def _block(kind: type, values: Mapping[str, Any]) -> list[str]:
    """A line per key: stated ones in force, others commented out; the remark stands behind, or above if it is long."""
    out = []
    own = kind.__annotations__
    for f in sorted((f for f in fields(kind) if _is_key(f)), key=lambda f: f.name not in own):
        if f.name in values and values[f.name] is not None:
            line = f"{f.name} = {toml(values[f.name])}"
        else:
            shown = f.default if f.default not in (None, "", ()) else f.metadata.get("example", "")
            line = f"# {f.name} = {toml(shown)}"
        remark = f"# {f.metadata['help']}"
        if f.name == "chemistry":
            remark += f" ({', '.join(f.metadata['choices'])})"
        both = f"{line:<{REMARK_AT}}  {remark}"
        out += [both] if len(both) <= WIDTH else [remark, line]
    return out


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(toml(part) for part in value)}]"
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text) + '"'


def _example_head(name: str) -> dict[str, Any]:
    return {
        "name": name, "power": "1/32", "guide_number_m": 30, "guide_number_iso": 100, "distance_m": 0.6,
        "chemistry": "NiMH", "cells": 4, "capacity_mah": 2000,
    }  # fmt: skip


# Invented: no such garden, rig or measurement exists.
EXAMPLE: dict[str, Any] = {
    "name": "Walled garden, tobacco border", "latitude_deg": 44.2, "longitude_deg": 0.6, "zone": "Europe/Paris",
    "path": "beam_flash", "beam_source": "own",
    "animal": {"label": "hawk-moth"},
    "camera": {"iso": 400, "aperture_f": 11, "shutter_s": 2.0, "focal_length_mm": 100, "distance_m": 0.8},
    "logger": {"chemistry": "NiMH", "cells": 4, "capacity_mah": 2000, "cutoff_mv": 3600},
    "heads": [_example_head("left"), _example_head("right"), _example_head("back")],
}  # fmt: skip
