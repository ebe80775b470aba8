"""Site files: what is written can be read, and every mistake names its line and the right key."""

from dataclasses import fields

import pytest
from click.testing import CliRunner
from duskgate import sitefile
from duskgate.analysis.settings import Settings, settings_of
from duskgate.cli import main
from duskgate.errors import SiteFileError
from duskgate.sitefields import PowerStep, Site, Thresholds
from hypothesis import given, settings
from hypothesis import strategies as st

PIECES = ["[camera]\n", "[[heads]]\n", "iso = 1\n", "heads = []\n", "x\n", "[", "]", "= 1\n", "camera.iso = 5\n"]
HEADS = '[[heads]]\nname = "left"\n\n[[heads]]\nname = "right"\n'


def test_template_is_read_back_with_its_values():
    site = sitefile.parse(sitefile.template())
    assert (site.name, site.zone, site.path) == ("Walled garden, tobacco border", "Europe/Paris", "beam_flash")
    assert [head.name for head in site.heads] == ["left", "right", "back"]
    assert site.heads[0].power == 1 / 32 and site.heads[0].cells == 4 and site.logger.cutoff_mv == 3600
    assert site.animal.speed_m_s is None and site.camera.pause_s is None


def test_template_without_answers_says_nothing_and_shows_every_key():
    text = sitefile.template({})
    site = sitefile.parse(text)
    assert site == Site() and not site.stated
    for f in fields(Thresholds):
        assert f"\n# {f.name} = " in text


def test_every_line_of_the_template_can_be_brought_into_force():
    lines = sitefile.template().splitlines()
    hidden = [line.startswith("# ") and (" = " in line.split("  #")[0] or line.startswith("# [[")) for line in lines]
    keyed = [line[2:] if hide else line for line, hide in zip(lines, hidden, strict=True)]
    text = "\n".join(keyed).replace('sensors = ["FLASH1"]', "")
    assert text.count("\n") == "\n".join(lines).count("\n")
    site = sitefile.parse(text)
    assert site.beam_spacing_mm == 30 and site.channels == ("BEAM", "FLASH1")
    assert {f"thresholds.{f.name}" for f in fields(Thresholds)} <= site.stated
    assert {f"power_steps.0.{f.name}" for f in fields(PowerStep)} <= site.stated


@pytest.mark.parametrize(
    "text, line, said",
    [
        ('name = "a"\ndistance_cm = 3\n', 2, "distance_cm"),
        ("[camera]\ndistance_cm = 80\n", 2, "the key is distance_m, in metres"),
        ("[camera]\n\ndistance = 80\n", 3, "the key is distance_m"),
        ("[logger]\ncapacity_ah = 2\n", 2, "the key is capacity_mah, in milliampere-hours"),
        ("[logger]\ncutoff_v = 3.6\n", 2, "the key is cutoff_mv, in millivolts"),
        ("[camera]\naperture = 8\n", 2, "the key is aperture_f"),
        ("[animal]\nspeed_kmh = 8\n", 2, "the key is speed_m_s, in metres a second"),
        ("latitude = 44\n", 1, "the key is latitude_deg"),
        ("[camera]\nisoo = 80\n", 2, "did you mean iso?"),
        ("[camra]\niso = 80\n", 1, "did you mean camera?"),
        ('focal_length_mm = 100\nname = "x"\n', 1, "belongs in [camera]"),
        ("latitude_deg = 91\nlongitude_deg = 0\n", 1, "from -90 to 90"),
        ("latitude_deg = nan\nlongitude_deg = 0\n", 1, "from -90 to 90"),
        ("longitude_deg = 7\n", 1, "both or neither"),
        ('latitude_deg = "44.2"\n', 1, "the text '44.2', it must be a number of degrees"),
        ("latitude_deg = true\n", 1, "true or false"),
        ("name = 7\n", 1, "must be text in quotes"),
        ('name = "a\\u0007b"\n', 1, "one line"),
        ('zone = "Europe/Pari"\n', 1, "Europe/Pari"),
        ('zone = "/etc/passwd"\n', 1, "zone"),
        ('path = "beam-flash"\n', 1, "Did you mean 'beam_flash'?"),
        ('channels = ["BEAM", "FLASH9"]\n', 1, "'FLASH9' is not known"),
        ('channels = ["BEAM", "BEAM"]\n', 1, "twice"),
        ('channels = ["FLASH1"]\n', 1, "must contain BEAM"),
        ('channels = "BEAM"\n', 1, "list of names"),
        ("[camera]\niso = 0\n", 2, "iso is 0"),
        ("[logger]\ncells = 2.5\n", 2, "whole number"),
        ('[logger]\nchemistry = "nimh"\n', 2, "Did you mean"),
        (HEADS + 'power = "1:16"\n', 6, "such as"),
        (HEADS + "power = 1.5\n", 6, "share of full power"),
        (HEADS + 'power = "1/0"\n', 6, "share of full power"),
        (HEADS + 'name2 = "x"\n', 6, "name2 is not known in [heads]"),
        (HEADS.replace("right", "left"), 5, "two heads are called 'left'"),
        ('[[heads]]\nsensors = ["FLASH1"]\n[[heads]]\nsensors = ["FLASH1"]\n', 4, "already belongs to head 1"),
        ("[heads]\npower = 1\n", 1, "[[heads]]"),
        ("[[power_steps]]\nt05_us = 90\n", 1, "needs its power"),
        ("[[power_steps]]\npower = 1\nt05_us = 90\nt01_us = 80\n", 4, "t01_us is below t05_us"),
        ('[[power_steps]]\npower = 1\nhead = "left"\n', 3, "there is no block [[heads]]"),
        (HEADS + '[[power_steps]]\npower = 1\nhead = "lift"\n', 8, "known are left, right"),
        ('[[power_steps]]\npower = 1\n[[power_steps]]\npower = "1/1"\n', 4, "two blocks"),
        ("[power_steps]\npower = 1\n", 1, "[[power_steps]]"),
        ("[camera]\nsync = 0.005\n", 2, "the key is sync_s, in seconds"),
        ("glow = 1\n", 1, "the key is glow_lux, in lux"),
        ("heads = 3\n", 1, "[[heads]]"),
        ("camera = 3\n", 1, "write [camera]"),
        ("[thresholds]\nleaf_interval_s = [3.0, 0.4]\n", 2, "first number must be the smaller"),
        ("[thresholds]\nleaf_interval_s = 3.0\n", 2, "two numbers"),
        ("[logger]\ndischarge_h_mv = [[0, 5400]]\n", 2, "at least two pairs"),
        ("[logger]\ndischarge_h_mv = [[0, 5400], [3, 5500]]\n", 2, "hours must rise"),
        ("[thresholds]\nvisit_s = 3.0\n", 2, "the key is visit_ms, in milliseconds"),
        ("name = \n", 1, "Invalid value"),
        ('name = "a"\nname = "b"\n', 2, "Cannot overwrite"),
    ],
)
def test_mistakes_name_their_line_and_what_is_right(text, line, said):
    with pytest.raises(SiteFileError) as caught:
        sitefile.parse(text, "site.toml")
    message = str(caught.value)
    assert message.startswith(f"site.toml, line {line}: ") and said in message and "\n" not in message


@pytest.mark.parametrize(
    "power, share", [('"1/16"', 1 / 16), ('"1 / 8"', 1 / 8), ("0.25", 0.25), ("1", 1.0), ('"1/1"', 1.0)]
)
def test_power_is_a_fraction_or_a_number(power, share):
    assert sitefile.parse(f"[[heads]]\npower = {power}\n").heads[0].power == share


def test_files_that_cannot_be_site_files(tmp_path):
    for data in (b"\xff\xfe", b"\0\1\2", b"[" * 5000, b"a = " + b"[" * 5000 + b"]" * 5000, b"x" * 2_000_000):
        path = tmp_path / "site.toml"
        path.write_bytes(data)
        with pytest.raises(SiteFileError):
            sitefile.load(path)
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(SiteFileError, match="cannot be read"):
            sitefile.load(path)


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=120) | st.lists(st.sampled_from(PIECES), max_size=8).map("".join))
def test_any_text_gives_a_site_or_a_plain_error(text):
    try:
        sitefile.parse(text)
    except SiteFileError as error:
        assert "\n" not in str(error)


@settings(max_examples=40, deadline=None)
@given(
    st.text(st.characters(codec="utf-8"), max_size=40).filter(str.isprintable),
    st.floats(-90, 90),
    st.floats(-180, 180),
)
def test_what_the_template_writes_is_read_back(name, latitude, longitude):
    site = sitefile.parse(sitefile.template({"name": name, "latitude_deg": latitude, "longitude_deg": longitude}))
    assert (site.name, site.latitude_deg, site.longitude_deg) == (name, latitude, longitude)


def test_thresholds_are_those_of_the_analysis_with_the_same_defaults():
    known = {f.name: f.default for f in fields(Settings)}
    site = Site()
    for f in fields(Thresholds):
        assert known[f.name] == f.default, f.name
    assert known["visit_gap_s"] == site.animal.visit_gap_s
    elsewhere = set(site.analysis_settings()) - {f.name for f in fields(Thresholds)}
    assert set(known) == elsewhere | {f.name for f in fields(Thresholds)}


def test_analysis_takes_its_settings_from_the_site():
    text = (
        'path = "beam_camera"\n[animal]\nvisit_gap_s = 2.4\n[camera]\nshutter_s = 4\n[logger]\ncutoff_mv = 3000\n'
        '[[heads]]\nname = "left"\nsensors = ["FLASH2"]\n[thresholds]\nvisit_ms = 12\n'
    )
    s = settings_of(sitefile.parse(text))
    assert (s.path, s.visit_gap_s, s.exposure_s, s.cutoff_mv, s.visit_ms) == ("beam_camera", 2.4, 4.0, 3000.0, 12.0)
    assert s.heads == (("left", (1,)),) and s.assumed == ()
    assert settings_of(Site()).assumed == ("visit_gap_s",) and settings_of(Site()).heads is None


def run(*words, answers=None):
    return CliRunner().invoke(main, list(words), input=answers)


def test_command_writes_once_and_never_over_a_file(tmp_path):
    path = tmp_path / "site.toml"
    assert run("site", "--defaults", "--file", str(path)).exit_code == 0
    before = path.read_bytes()
    again = run("site", "--defaults", "--file", str(path))
    assert again.exit_code == 2 and "not overwritten" in again.output and path.read_bytes() == before
    assert sitefile.load(path).heads[2].name == "back"


def test_command_asks_and_asks_again_after_a_wrong_answer(tmp_path):
    path = tmp_path / "site.toml"
    place = ["Garden wall", "144", "44,2", "0.6", "Europe/Paris", "", "tap"]
    animal, camera, logger = ["hawk-moth", "", ""], ["400", "11", "", "", "", ""], ["", "", "", ""]
    heads = ["2", "", "1/16", "30", "", "0.6", "", "", "", "y"]
    done = run("site", "--file", str(path), answers="\n".join(place + animal + camera + logger + heads) + "\n")
    assert done.exit_code == 0, done.output
    site = sitefile.load(path)
    assert "it must lie from -90 to 90" in done.output
    assert (site.name, site.latitude_deg, site.beam_source, site.camera.iso) == ("Garden wall", 44.2, "tap", 400)
    assert [head.name for head in site.heads] == ["head 1", "head 2"] and site.heads[1].power == 1 / 16
    assert site.logger.chemistry == "" and site.camera.shutter_s is None


def test_command_checks_a_file(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text('name = "x"\n[camera]\ndistance_cm = 3\n')
    faulty = run("site", "--check", "--file", str(path))
    assert faulty.exit_code == 2 and "line 3: the key is distance_m" in faulty.output
    path.write_text('name = "x"\n')
    assert run("site", "--check", "--file", str(path)).exit_code == 0


def test_command_in_a_folder_that_is_not_there(tmp_path):
    assert run("site", "--defaults", "--file", str(tmp_path / "none" / "site.toml")).exit_code == 2
