"""The naming of nights: a night runs from noon to noon by local time and bears the date on which it begins.

At a site whose visitor comes by day (`active = "day"`), days take the nights' place: from midnight to midnight, so that
no day is parted at noon.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from duskgate.errors import UsageError

US = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NOON, MIDNIGHT = time(12), time(0)


def turn_of(site: Any) -> time:
    """The local time at which one night or day of a site ends and the next begins."""
    return MIDNIGHT if getattr(site, "active", "night") == "day" else NOON


@cache
def zone_of(name: str) -> ZoneInfo:
    """The zone of a name such as Europe/Paris. Raises UsageError for a name that the zone data does not have."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(f"time zone {name!r} is not known; use a name such as Europe/Paris or UTC.") from error


def night_of(utc_us: int, zone: str, turn: time = NOON) -> str:
    """The date (2026-07-18) of the night in which an instant lies."""
    local = (EPOCH + timedelta(microseconds=int(utc_us))).astimezone(zone_of(zone))
    day = local.date() if local.time() >= turn else local.date() - timedelta(days=1)
    return day.isoformat()


def bounds_utc_us(night: str, zone: str, turn: time = NOON) -> tuple[int, int]:
    """First instant of a night and first of the next, us UTC: 23, 24 or 25 hours apart.

    Raises UsageError where `night` is no date.
    """
    try:
        day = date.fromisoformat(night)
        days = day, day + timedelta(days=1)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"{night!r} is not a date; write it as 2026-07-18.") from error
    start, end = (_turn_us(d, zone, turn) for d in days)
    return start, end


def _turn_us(day: date, zone: str, turn: time) -> int:
    at = datetime.combine(day, turn, tzinfo=zone_of(zone))
    return (at.astimezone(UTC) - EPOCH) // timedelta(microseconds=1)


def nights_between(start_utc_us: int, end_utc_us: int, zone: str, turn: time = NOON) -> list[str]:
    """Dates of all nights that a span touches, both ends included."""
    day = date.fromisoformat(night_of(start_utc_us, zone, turn))
    last = date.fromisoformat(night_of(max(start_utc_us, end_utc_us), zone, turn))
    return [(day + timedelta(days=i)).isoformat() for i in range((last - day).days + 1)]


def split(utc_us: np.ndarray, zone: str) -> dict[str, np.ndarray]:
    """Positions of instants (int64 us, any order) per night, in the order of nights; empty nights are left out."""
    utc_us = np.asarray(utc_us, np.int64)
    if not len(utc_us):
        return {}
    nights = nights_between(int(utc_us.min()), int(utc_us.max()), zone)
    starts = np.array([bounds_utc_us(night, zone)[0] for night in nights])
    which = np.searchsorted(starts, utc_us, side="right") - 1
    order = np.argsort(which, kind="stable")
    found, first = np.unique(which[order], return_index=True)
    return {nights[k]: part for k, part in zip(found.tolist(), np.split(order, first[1:]), strict=True)}
