"""Tables of several stations and years, written by our own command, read at once by a program that knows only Parquet.

DuckDB reads folders named key=value as columns ("hive partitioning", its manual, chapter Data Import).
"""

import json

import duckdb
import pytest
from click.testing import CliRunner
from duskgate import fields
from duskgate.cli import main

from tests.cli.season_books import book, date_of

STATIONS = {"border": 10, "orchard": 40}  # with the seed of its invented nights
DAYS = (0, 365)  # the same evening of two years
RATE = """
select station, cast(floor((start_utc_us / 1e6 - epoch(night) - 86400 + 7200) / 3600) as int) as hour,
       sum(n) as n, sum(exposure_s) as exposure_s, 3600 * sum(n) / sum(exposure_s) as rate_per_h,
       count(distinct night) as n_nights
from read_parquet('{}/station=*/night=*/rates.parquet', hive_partitioning = true)
where exposure_s > 0 group by all order by all
"""  # hours from local midnight: the invented garden's summer time is two hours ahead of UTC


def run(*words: object) -> str:
    done = CliRunner().invoke(main, [*map(str, words)])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def garden(tmp_path_factory):
    """Logbooks of all stations, and their tables under `all`."""
    root = tmp_path_factory.mktemp("stations")
    for station, seed in STATIONS.items():
        logbook = book(root / station, DAYS, seed=seed)
        for day in DAYS:
            out = root / "all" / f"station={station}" / f"night={date_of(day)}"
            run("export", logbook, out, "--date", date_of(day), "--format", "parquet")
    return root


@pytest.fixture(scope="module")
def seasons(garden):
    return {s: json.loads(run("season", garden / s, "--by", "clock", "--json")) for s in STATIONS}


def test_one_query_gives_the_rate_by_hour_of_every_station_as_our_season_does(garden, seasons):
    rows = duckdb.sql(RATE.format(garden / "all")).fetchall()
    for station, facts in seasons.items():
        found = {hour * 3600.0: rest for name, hour, *rest in rows if name == station and rest[1] >= 60}
        ours = {row["start_s"]: row for row in facts["hours"]["clock"]}
        assert found.keys() == ours.keys() and len(ours) >= 8
        for start, (n, exposure_s, rate, n_nights) in found.items():
            assert (n, n_nights) == (ours[start]["n"], 2)
            assert exposure_s == pytest.approx(ours[start]["exposure_s"], abs=0.01)
            assert rate == pytest.approx(ours[start]["rate_per_h"]["seen"], rel=1e-5)


def test_visits_of_all_stations_and_years_are_counted_by_the_names_of_their_folders(garden, seasons):
    every = f"read_parquet('{garden}/all/*/*/visits.parquet', hive_partitioning = true)"
    rows = duckdb.sql(f"select station, year(night), count(*) from {every} group by all").fetchall()
    counts = {(station, year): n for station, year, n in rows}
    assert counts.keys() == {(station, year) for station in STATIONS for year in (2026, 2027)}
    for station, facts in seasons.items():
        nights = {int(row["night"][:4]): row["n"] for row in facts["nights"]}
        assert {year: counts[station, year] for year in (2026, 2027)} == nights
    assert len(set(counts.values())) > 1, "nights that differ, or the check would miss a swap"


def test_every_table_has_the_same_types_in_every_night(garden):
    for table in fields.TABLES:
        files = f"read_parquet('{garden}/all/*/*/{table}.parquet', hive_partitioning = true)"  # no union of types
        columns = duckdb.sql(f"describe select * from {files}").fetchall()
        types = {name: kind for name, kind, *_ in columns if name not in ("station", "night")}
        assert list(types) == list(fields.TABLES[table])
        for name, dtype in fields.TABLES[table].items():  # also where no night holds a row
            assert (types[name] == "VARCHAR") == (dtype in ("category", "object")), (table, name)
        duckdb.sql(f"select count(*), min(night) from {files}").fetchall()
