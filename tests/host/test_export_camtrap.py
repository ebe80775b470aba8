"""A night as a Camtrap DP package, checked without a network against the standard's own schemas (tests/vectors)."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import frictionless
import numpy as np
import pandas as pd
import pytest
from duskgate import sitefile
from duskgate.errors import NothingToAnswer, UsageError
from duskgate.export import camtrap, camtrap_tables
from duskgate.logfile.recording import Recording
from duskgate.report import facts as report_facts
from duskgate.sitefields import Animal, Passing
from duskgate.timebase.clock import fit_clock
from duskgate.virtual import scenes
from frictionless import system
from jsonschema import Draft7Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT4, DRAFT7

from tests.host.made_recording import made
from tests.host.scene_recording import recording_of

SCHEMAS = Path(__file__).resolve().parents[1] / "vectors" / "camtrap_dp"
GEOJSON = Path(frictionless.__file__).parent / "assets" / "profiles" / "geojson.json"
NOW_US = 1_785_000_000_123_456
SITE = replace(sitefile.parse(sitefile.template()), name="=Walled garden")
LOG = {"files": ["a.dgl"], "form": "log", "date": "2026-07-18", "other_nights": [], "faults": [], "site_file": None,
       "interpreter_versions": {}, "left_out": [], "remarks": []}  # fmt: skip


def tables_of(rec: Recording):
    log = {**LOG, "problems": rec.problems}
    return report_facts.read_night(rec, fit_clock(rec), SITE, sky=None, log=log)[1]


@pytest.fixture(scope="module")
def night():
    rec = recording_of(scenes.make("two-resets", 7))
    return rec, tables_of(rec)


def package(night, site=SITE, partial=()):
    rec, tables = night
    return camtrap.camtrap_files(rec, tables, site, "2026-07-18", NOW_US, list(partial))


def schema(name: str) -> dict:
    return json.loads((SCHEMAS / name).read_text(encoding="utf-8"))


def profile_errors(descriptor: dict) -> list[str]:
    """What Camtrap DP's own part of its profile finds wrong, the place by the GeoJSON schema; draft 7 is taken for the
    keywords that both drafts share. What it takes over from Data Package is checked by `table_errors`."""
    profile = schema("camtrap-dp-profile.json")
    place = Resource.from_contents(json.loads(GEOJSON.read_text(encoding="utf-8")), default_specification=DRAFT7)
    whole = {**profile, "allOf": profile["allOf"][1:], "$schema": "http://json-schema.org/draft-07/schema#"}
    registry = Registry().with_resources(
        [("http://json.schemastore.org/geojson.json", place), ("", Resource.from_contents(whole, DRAFT4))]
    )
    checker = Draft7Validator(whole, registry=registry, format_checker=Draft7Validator.FORMAT_CHECKER)
    return [f"{'/'.join(map(str, e.absolute_path))}: {e.message}" for e in checker.iter_errors(descriptor)]


def table_errors(folder: Path, files: dict[str, bytes]) -> list[str]:
    """What frictionless finds wrong with package and tables, the schemas given in line instead of by their address."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    descriptor = json.loads(files["datapackage.json"])
    for resource in descriptor["resources"]:
        resource["schema"] = schema(f"{resource['name']}-table-schema.json")
    del descriptor["profile"]
    (folder / "inline.json").write_text(json.dumps(descriptor))
    with system.use_context(trusted=True):
        report = frictionless.validate(str(folder / "inline.json"))
    return [str(row) for row in report.flatten(["type", "note"])]


def rows(files: dict[str, bytes], name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(files[name].decode("utf-8"))))


def named(**more) -> object:
    said = {"title": "Moths of one border", "contributor": "a photo club", "data_licence": "CC0-1.0",
            "media_licence": "CC-BY-4.0", **more}  # fmt: skip
    return replace(SITE, passing_on=Passing(**said), animal=Animal(label="hawk-moth", scientific_name="Sphingidae"))


@pytest.mark.parametrize("site", [SITE, named()])
def test_a_night_is_valid_by_the_standards_own_schemas(tmp_path, night, site):
    files, _ = package(night, site)
    assert profile_errors(json.loads(files["datapackage.json"])) == []
    assert table_errors(tmp_path, files) == []
    assert len(rows(files, "deployments.csv")) == 3 and len(rows(files, "observations.csv")) > 100


def test_the_check_itself_finds_what_is_wrong(tmp_path, night):
    files, _ = package(night)
    broken = json.loads(files["datapackage.json"])
    broken["project"]["captureMethod"] = ["beam"]
    broken["resources"][0]["schema"] = broken["resources"][0]["schema"].replace("1.0.2", "0.9")
    broken["spatial"] = {"type": "Point", "coordinates": "here"}
    del broken["created"]
    assert len(profile_errors(broken)) >= 4
    fraction = files["observations.csv"].replace(b"Z,event", b".5Z,event", 1)
    stray = fraction.replace(b"Z,event,animal", b"Z,event,moth").replace(b"eventID", b"event", 1)
    kinds = " ".join(table_errors(tmp_path, {**files, "observations.csv": stray}))
    assert "type-error" in kinds and "constraint" in kinds and "label" in kinds
    lost = files["deployments.csv"].replace(b"\n", b"\nx", 1)
    assert "foreign-key" in " ".join(table_errors(tmp_path, {**files, "deployments.csv": lost}))


@pytest.mark.parametrize(
    "name, columns",
    [("deployments", camtrap_tables.DEPLOYMENTS), ("media", camtrap_tables.MEDIA),
     ("observations", camtrap_tables.OBSERVATIONS)],
)  # fmt: skip
def test_every_column_of_the_standard_stands_in_its_order(name, columns):
    assert [field["name"] for field in schema(f"{name}-table-schema.json")["fields"]] == list(columns)


def test_visits_are_events_with_exact_times_in_their_tags(night):
    _, tables = night
    files, said = package(night)
    seen, visits = rows(files, "observations.csv"), tables["visits"]
    assert len(seen) == len(visits)
    for row, visit in zip(seen, visits.itertuples(index=False), strict=True):
        tags = dict(tag.split(":") for tag in row["observationTags"].split("|"))
        assert (int(tags["start_utc_us"]), int(tags["end_utc_us"])) == (visit.start_utc_us, visit.end_utc_us)
        assert int(tags["breaks"]) == visit.n_breaks and tags["caught"] == visit.caught
        whole = np.datetime64(row["eventStart"][:-1], "s").astype(np.int64)
        assert whole == visit.start_utc_us // 1_000_000
    assert {row["observationType"] for row in seen} == {"animal"} and {row["count"] for row in seen} == {""}
    assert {row["classificationMethod"] for row in seen} == {"machine"}
    assert {row["classificationProbability"] for row in seen} == {""}
    assert all("no picture was looked at" in row["observationComments"] for row in seen)
    assert said[0].startswith(f"Holds 3 deployments (starts of the board) and {len(visits)} visits")


def test_events_lie_in_their_deployments_and_deployments_tell_their_sight(night):
    files, _ = package(night)
    homes = {row["deploymentID"]: row for row in rows(files, "deployments.csv")}
    for row in rows(files, "observations.csv"):
        home = homes[row["deploymentID"]]
        assert home["deploymentStart"] <= row["eventStart"] <= row["eventEnd"] <= home["deploymentEnd"]
    tags = [dict(tag.split(":") for tag in row["deploymentTags"].split("|")) for row in homes.values()]
    for tag in tags:
        span = (int(tag["end_utc_us"]) - int(tag["start_utc_us"])) / 1e6
        assert float(tag["sight_s"]) + float(tag["blind_s"]) == pytest.approx(span, abs=0.11)
    assert {row["cameraDelay"] for row in homes.values()} == {""}  # no lock-out was stated
    assert {row["locationName"] for row in homes.values()} == {"'=Walled garden"}  # no spreadsheet runs it


def test_blind_time_is_counted_once():
    gaps = pd.DataFrame({"start_utc_us": [0, 50, 40, 190], "end_utc_us": [20, 100, 80, 400]})
    assert camtrap_tables.blind_us(gaps, 10, 200) == 10 + 60 + 10
    assert camtrap_tables.blind_us(gaps.iloc[:0], 10, 200) == 0


def test_a_stated_lock_out_is_told_in_whole_seconds_and_exactly(night):
    text = sitefile.template({**sitefile.EXAMPLE, "thresholds": {"command_dead_s": 2.4}})
    row = rows(package(night, sitefile.parse(text))[0], "deployments.csv")[0]
    assert row["cameraDelay"] == "2" and "lock_out_s:2.4" in row["deploymentTags"]


def test_only_what_the_site_file_says_is_said(night):
    bare, said = package(night)
    package_json = json.loads(bare["datapackage.json"])
    assert package_json["contributors"] == [{"title": "unknown", "role": "contributor"}]
    assert package_json["taxonomic"] == [] and "licenses" not in package_json
    assert {row["scientificName"] for row in rows(bare, "observations.csv")} == {""}
    assert "animal.scientific_name, passing_on.contributor, passing_on.data_licence" in said[-1]
    full = json.loads(package(night, named(), ["Some blocks were damaged."])[0]["datapackage.json"])
    assert full["contributors"][0]["title"] == "a photo club" and full["taxonomic"] == [
        {"scientificName": "Sphingidae"}
    ]
    assert full["licenses"] == [{"name": "CC0-1.0", "scope": "data"}, {"name": "CC-BY-4.0", "scope": "media"}]
    assert "Some blocks were damaged." in full["description"]


def test_what_the_standard_demands_and_nobody_said_is_asked_for(night):
    placeless = replace(SITE, latitude_deg=None, longitude_deg=None)
    for site, text in ((None, "latitude_deg"), (placeless, "latitude_deg"), (named(media_licence=""), "media_licence"),
                       (named(data_licence="free for all"), "short name")):  # fmt: skip
        with pytest.raises(UsageError, match=text):
            package(night, site)


def test_a_log_without_time_of_day_makes_no_package():
    rec = made([(1, 0, 10**12, 0)], [(0, 10**10, 0, 1), (0, 10**10 + 10**8, 0, 0)])
    with pytest.raises(NothingToAnswer, match="time of day"):
        package((rec, tables_of(rec)))
