"""A night as a Camtrap DP package (Camera Trap Data Package, TDWG, version 1.0.2; Frictionless Data Package 1).

`datapackage.json` with deployments.csv, media.csv and observations.csv. Who made it and under which licence comes from
the site file; what is not known there is said to be unknown, or left out where the standard allows that.
"""

from __future__ import annotations

import json
import re
from typing import Any

import pandas as pd

from .. import __version__
from ..errors import NothingToAnswer, UsageError
from ..logfile.recording import Recording
from ..tables import csv_bytes
from . import camtrap_tables
from .starts import count

VERSION = "1.0.2"
BASE = f"https://raw.githubusercontent.com/tdwg/camtrap-dp/{VERSION}"
FILES = ("datapackage.json", "deployments.csv", "media.csv", "observations.csv")
LICENCE = re.compile(r"[-a-zA-Z0-9._]+")  # Data Package 1, licenses: the short names of the Open Definition


def camtrap_files(
    rec: Recording, tables: dict[str, pd.DataFrame], site: Any, date: str, now_utc_us: int, partial: list[str]
) -> tuple[dict[str, bytes], list[str]]:
    """Name -> content of the package's files, and sentences on what it holds and what it leaves out.

    rec: for the boards' ids. date: the night. partial: why its numbers are partial, for the description.
    Raises UsageError where the site file lacks what the standard demands, NothingToAnswer where no time is known.
    """
    check_site(site)
    boards = dict(zip(rec.boots["boot"].tolist(), rec.boots["board"].astype(str), strict=True))
    placed = camtrap_tables.deployments(tables, site, boards)
    if not len(placed):
        raise NothingToAnswer("no start of the board has a time of day, and a package needs one: set the clock first")
    seen = camtrap_tables.observations(tables, placed, site, now_utc_us)
    left = left_out(tables, placed, seen)
    package = descriptor(placed, site, date, now_utc_us, [*partial, *left])
    frames = (placed[list(camtrap_tables.DEPLOYMENTS)], camtrap_tables.media(), seen)
    files = {FILES[0]: json.dumps(package, indent=1, ensure_ascii=True).encode("ascii") + b"\n"}
    files |= {name: csv_bytes(frame) for name, frame in zip(FILES[1:], frames, strict=True)}
    return files, [holds(placed, seen), *left, *gaps_of(site)]


def check_site(site: Any) -> None:
    """UsageError where the standard demands what the site file does not say."""
    if site is None or site.latitude_deg is None:
        raise UsageError(
            "a camtrap-dp package must name the place: write latitude_deg and longitude_deg into site.toml"
        )
    said = site.passing_on
    if bool(said.data_licence) != bool(said.media_licence):
        missing = "media_licence" if said.data_licence else "data_licence"
        raise UsageError(
            f"[passing_on] in the site file: the standard wants both licences or neither; {missing} is missing"
        )
    for name in (said.data_licence, said.media_licence):
        if name and not LICENCE.fullmatch(name):
            raise UsageError(
                f"[passing_on] in the site file: {name[:40]!r} is no short name of a licence, such as CC0-1.0"
            )


def holds(placed: pd.DataFrame, seen: pd.DataFrame) -> str:
    """A sentence on what is in the package."""
    starts = count(len(placed), "deployment (a start of the board)", "deployments (starts of the board)")
    visits = count(len(seen), "visit", "visits")
    return f"Holds {starts} and {visits}; times are cut to whole seconds, the tags have them exactly."


def left_out(tables: dict[str, pd.DataFrame], placed: pd.DataFrame, seen: pd.DataFrame) -> list[str]:
    """Sentences on what of the night is not in the package."""
    breaks = tables["breaks"]
    other = int((breaks["kind"].astype(str) != "visit").sum())
    what = count(other, "beam break that is no visit is", "beam breaks that are no visits are")
    said = [f"{what} left out (insects, rain, leaves, glitches, a blocked beam)."] if other else []
    boots, visits = len(tables["boots"]) - len(placed), len(tables["visits"]) - len(seen)
    if boots or visits:
        starts = count(
            boots, "start of the board without time of day is", "starts of the board without time of day are"
        )
        said.append(f"{starts} left out, with {count(visits, 'visit', 'visits')}.")
    return said


def gaps_of(site: Any) -> list[str]:
    """Sentences on what the site file could still say."""
    said = site.passing_on
    asked = {
        "animal.scientific_name": site.animal.scientific_name,
        "passing_on.contributor": said.contributor,
        "passing_on.data_licence": said.data_licence,
    }
    lacking = [name for name, value in asked.items() if not value]
    out = ["The package names the place as exactly as the site file does: round it there where a species is sensitive."]
    return [*out, f"Not stated in the site file, so unknown in the package: {', '.join(lacking)}."] if lacking else out


def descriptor(placed: pd.DataFrame, site: Any, date: str, now_utc_us: int, remarks: list[str]) -> dict[str, Any]:
    """The content of datapackage.json."""
    said, name = site.passing_on, site.animal.scientific_name
    visitor = f" Expected visitor: {site.animal.label}." if site.animal.label else ""
    package: dict[str, Any] = {
        "resources": [_resource(path) for path in FILES[1:]],
        "profile": f"{BASE}/camtrap-dp-profile.json",
        "name": f"duskgate-{re.sub(r'[^a-z0-9]+', '-', date.lower())}",
        "created": camtrap_tables.whole_second(now_utc_us),
        "title": f"{said.title or site.name}, night of {date}",
        "contributors": [{"title": said.contributor or "unknown", "role": "contributor"}],
        "description": " ".join([f"Visits to one spot, watched by a light beam.{visitor}", *remarks]),
        "keywords": ["beam break", "visits"],
        "sources": [{"title": "Duskgate", "version": __version__}],
        "project": {
            "title": said.title or site.name,
            "description": "Deployments are starts of the logger, events are visits told by rules from beam breaks.",
            "samplingDesign": "targeted",
            "captureMethod": ["activityDetection"],
            "individualAnimals": False,
            "observationLevel": ["event"],
        },
        "spatial": {"type": "Point", "coordinates": [site.longitude_deg, site.latitude_deg]},
        "temporal": {"start": min(placed["deploymentStart"])[:10], "end": max(placed["deploymentEnd"])[:10]},
        "taxonomic": [{"scientificName": name}] if name else [],
    }
    if said.data_licence:
        scopes = (("data", said.data_licence), ("media", said.media_licence))
        package["licenses"] = [{"name": licence, "scope": scope} for scope, licence in scopes]
    return package


def _resource(path: str) -> dict[str, str]:
    name = path.removesuffix(".csv")
    return {
        "name": name, "path": path, "profile": "tabular-data-resource", "format": "csv", "mediatype": "text/csv",
        "encoding": "utf-8", "schema": f"{BASE}/{name}-table-schema.json",
    }  # fmt: skip
