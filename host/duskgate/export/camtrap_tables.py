"""The tables of a Camtrap DP package (TDWG, version 1.0.2): a start of the board is a deployment, a visit an event.

The standard's times are whole seconds, so seconds are cut (an end of a deployment is rounded up) and the microseconds
stand in the tags. No picture was looked at, so the table of media is a header alone.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from .. import __version__
from ..tables import neutral
from .timeline import EPOCH, iso

# every column of the standard's table schemas, in their order: readers want all of them
DEPLOYMENTS = (
    "deploymentID", "locationID", "locationName", "latitude", "longitude", "coordinateUncertainty", "deploymentStart",
    "deploymentEnd", "setupBy", "cameraID", "cameraModel", "cameraDelay", "cameraHeight", "cameraDepth", "cameraTilt",
    "cameraHeading", "detectionDistance", "timestampIssues", "baitUse", "featureType", "habitat", "deploymentGroups",
    "deploymentTags", "deploymentComments",
)  # fmt: skip
MEDIA = (
    "mediaID", "deploymentID", "captureMethod", "timestamp", "filePath", "filePublic", "fileName", "fileMediatype",
    "exifData", "favorite", "mediaComments",
)  # fmt: skip
OBSERVATIONS = (
    "observationID", "deploymentID", "mediaID", "eventID", "eventStart", "eventEnd", "observationLevel",
    "observationType", "cameraSetupType", "scientificName", "count", "lifeStage", "sex", "behavior", "individualID",
    "individualPositionRadius", "individualPositionAngle", "individualSpeed", "bboxX", "bboxY", "bboxWidth",
    "bboxHeight", "classificationMethod", "classifiedBy", "classificationTimestamp", "classificationProbability",
    "observationTags", "observationComments",
)  # fmt: skip
SECOND_US = 1_000_000
UNSURE_US = 1e6  # times that may be wrong by more than the whole second in which they are written
NO_CAMERA = "A light beam watched the spot, no camera: each interruption was stamped. Levels and edges are in the log."
VISIT = (
    "Beam breaks that rules on length, number and spacing call a visit of an animal; no picture was looked at, "
    "the number of individuals is not known."
)
NAMED = " The scientific name is that which the site file expects here; nothing that was measured names a species."


def deployments(tables: dict[str, pd.DataFrame], site: Any, boards: dict[int, str]) -> pd.DataFrame:
    """A row for each start of the board with a time of day; column `boot` besides, which is no part of the standard.

    boards: board id by boot. The site has latitude_deg and longitude_deg.
    """
    boots = tables["boots"]
    rows = [_deployment(row, tables["gaps"], site, boards) for row in boots.itertuples(index=False) if timed(row)]
    return pd.DataFrame(rows, columns=["boot", *DEPLOYMENTS], dtype=object).fillna("")


def timed(boot: Any) -> bool:
    """Whether a row of the table `boots` has a time of day."""
    return str(boot.clock) != "unknown"


def _deployment(boot: Any, gaps: pd.DataFrame, site: Any, boards: dict[int, str]) -> dict[str, Any]:
    start, end = int(boot.start_utc_us), max(int(boot.end_utc_us), int(boot.start_utc_us))
    board = re.sub(r"\W", "", boards.get(int(boot.boot), "")) or "board"
    blind = blind_us(gaps, start, end)
    lock_s = site.thresholds.command_dead_s if "thresholds.command_dead_s" in site.stated else None
    tags = [f"logger:{board}", f"start_utc_us:{start}", f"end_utc_us:{end}", f"clock_unc_us:{boot.clock_unc_us:.0f}",
            f"sight_s:{(end - start - blind) / 1e6:.1f}", f"blind_s:{blind / 1e6:.1f}"]  # fmt: skip
    tags += [] if lock_s is None else [f"lock_out_s:{lock_s:g}"]
    return {
        "boot": int(boot.boot),
        "deploymentID": f"{board}-{max(int(boot.boot_no), 0)}-{start // SECOND_US}",
        "locationName": neutral(site.name),
        "latitude": repr(site.latitude_deg),
        "longitude": repr(site.longitude_deg),
        "deploymentStart": whole_second(start),
        "deploymentEnd": whole_second(-(-end // SECOND_US) * SECOND_US),
        "cameraDelay": "" if lock_s is None else str(round(lock_s)),
        "timestampIssues": "true" if not boot.clock_unc_us <= UNSURE_US else "false",
        "deploymentTags": "|".join(tags),
        "deploymentComments": f"{NO_CAMERA} Without sight: {blind / 1e6:.1f} s of it; rates are per sight_s.",
    }


def blind_us(gaps: pd.DataFrame, start_us: int, end_us: int) -> int:
    """Microseconds of a span that lie in any gap."""
    lo = np.maximum(gaps["start_utc_us"].to_numpy(np.int64), start_us)
    hi = np.minimum(gaps["end_utc_us"].to_numpy(np.int64), end_us)
    order = np.argsort(lo, kind="stable")
    lo, hi = lo[order], hi[order]
    reached = np.maximum.accumulate(np.concatenate([[start_us], hi]))[:-1]
    return int(np.maximum(hi - np.maximum(lo, reached), 0).sum())


def observations(tables: dict[str, pd.DataFrame], placed: pd.DataFrame, site: Any, now_utc_us: int) -> pd.DataFrame:
    """A row for each visit in one of the deployments `placed`."""
    visits, breaks = tables["visits"], tables["breaks"]
    boot = breaks[breaks["visit_id"] >= 0].groupby("visit_id")["boot"].first()
    home = visits["visit_id"].map(boot).map(dict(zip(placed["boot"], placed["deploymentID"], strict=True)))
    kept = visits[home.notna()]
    name = str(neutral(site.animal.scientific_name))
    start, end = (kept[column].to_numpy(np.int64) for column in ("start_utc_us", "end_utc_us"))
    own = home[home.notna()].astype(str) + "-visit-" + kept["visit_id"].astype(str)
    columns = {
        "observationID": own,
        "deploymentID": home[home.notna()],
        "eventID": own,
        "eventStart": whole_seconds(start),
        "eventEnd": whole_seconds(end),
        "observationLevel": "event",
        "observationType": "animal",
        "scientificName": name,
        "classificationMethod": "machine",
        "classifiedBy": f"Duskgate {__version__}",
        "classificationTimestamp": whole_second(now_utc_us),
        "observationTags": _visit_tags(kept),
        "observationComments": VISIT + (NAMED if name else ""),
    }
    table = pd.DataFrame({c: pd.Series(columns.get(c, ""), index=kept.index, dtype=object) for c in OBSERVATIONS})
    return table.reset_index(drop=True)


def _visit_tags(visits: pd.DataFrame) -> pd.Series:
    tags = "start_utc_us:" + visits["start_utc_us"].astype(str) + "|end_utc_us:" + visits["end_utc_us"].astype(str)
    tags += "|breaks:" + visits["n_breaks"].astype(str) + "|fires:" + visits["n_fires"].astype(str)
    return tags + "|caught:" + visits["caught"].astype(str)


def whole_second(utc_us: int) -> str:
    """2026-07-18T21:03:04Z; what is less than a second is cut."""
    return iso(utc_us)[:19] + "Z"


def whole_seconds(utc_us: np.ndarray) -> np.ndarray:
    """The same for many times."""
    moments = pd.DatetimeIndex(EPOCH.replace(tzinfo=None) + pd.to_timedelta(utc_us // SECOND_US, unit="s"))
    return np.asarray(moments.strftime("%Y-%m-%dT%H:%M:%SZ"), dtype=object)


def media() -> pd.DataFrame:
    """The table of media: its header alone."""
    return pd.DataFrame(columns=list(MEDIA))
