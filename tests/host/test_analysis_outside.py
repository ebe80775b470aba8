"""The analysis against published figures and rules of the trade. Sources stand beside each check."""

import numpy as np
import pytest
from duskgate.analysis import dayclock, strata
from duskgate.analysis.night import analyse
from duskgate.analysis.settings import Settings

from tests.host.analysis_recordings import ExactClock, pulses, recording


def hours(degrees) -> np.ndarray:
    return np.asarray(degrees, float) / 15.0


# Zar 2010, examples 26.2, 26.4 and 27.1 (data as shipped in pycircstat2): mean 99 degrees, r .82522, .001 < p < .002
ZAR_D1 = [45, 55, 81, 96, 110, 117, 132, 154]
# Zar 2010, example 27.2: p computed with Zar's formula by pycircstat2 and pingouin
ZAR_D7 = [66, 75, 86, 88, 88, 93, 97, 101, 118, 130]


@pytest.mark.parametrize(
    "degrees, mean, r, p", [(ZAR_D1, 98.9878, 0.82522, 0.00185164), (ZAR_D7, 94.0482, 0.952137, 5.3039e-06)]
)
def test_circular_mean_and_rayleigh_of_zars_examples(degrees, mean, r, p):
    found = dayclock.centre(hours(degrees))
    assert abs(found["mean_h"] * 15 - mean) < 1e-3 and abs(found["r"] - r) < 1e-5
    assert abs(found["p"] / p - 1) < 1e-3 and found["n"] == len(degrees)


def test_circular_mean_of_real_arrival_times():
    """254 arrivals at an intensive care unit (Cox & Lewis 1966; Fisher 1993, data B1), real times of day."""
    data = pytest.importorskip("pycircstat2")
    clock = data.load_data("B1", source="fisher")["time"]
    times = np.array([int(text.split(":")[0]) + int(text.split(":")[1]) / 60 for text in clock])
    found = dayclock.centre(times)
    assert found["n"] == 254
    assert abs(found["mean_h"] - 17.25641) < 1e-3 and abs(found["r"] - 0.322621) < 1e-5
    assert abs(found["p"] / 1.68833e-12 - 1) < 1e-3
    # and the independent library on the same times
    there = data.Circular(times * 15.0, unit="degree")
    assert abs(there.r - found["r"]) < 1e-9
    assert abs(np.degrees(there.mean) % 360 / 15 - found["mean_h"]) < 1e-9


def test_times_around_midnight_do_not_centre_on_noon():
    assert abs(dayclock.centre(np.array([23.0, 23.5, 0.0, 0.5, 1.0, 0.0]))["mean_h"] % 24 - 0.0) < 0.1
    assert dayclock.centre(np.array([1.0]))["n"] == 1 and dayclock.centre(np.array([1.0]))["value"] is None


@pytest.mark.parametrize(
    "a, ea, b, eb, ratio",
    [
        (11, 800, 21, 3011, 1.971488),  # R documentation of poisson.test (remembered), scipy binomtest
        (60, 51477.5, 30, 54308.7, 2.10999),  # Gu, Ng, Tang & Schucany 2008, example
        (2, 17877, 9, 16660, 0.207094),  # Fay 2010, rateratio.test (call seen, output remembered)
    ],
)
def test_rate_ratio_of_one_stratum_is_the_published_one(a, ea, b, eb, ratio):
    one = [np.array([[float(x)]]) for x in (a, ea, b, eb)]
    assert abs(np.exp(strata._log_ratio(*one)) / ratio - 1) < 1e-5


def night(beam, sync=(), light=(), **settings):
    channels = ("BEAM", *(("SYNC",) if sync else ()), *(("FLASH1",) if light else ()))
    edges = {"BEAM": pulses(*beam)}
    if sync:
        edges["SYNC"] = pulses(*sync)
    if light:
        edges["FLASH1"] = pulses(*light)
    rec = recording(edges, length_s=beam[-1][1] + 60.0, channels=channels)
    return analyse(rec, ExactClock(), Settings(**settings) if settings else None)


def test_measured_hover_times_of_bats_are_visits():
    """Hover at flowers, by infrared light barriers: median 320 ms, n = 1246 (Tschapka & von Helversen 2007, J. Trop.
    Ecol. 23:385, abstract); 0.32 +- 0.14 s hovering, 0.39 +- 0.18 s clinging (Voigt 2004, J. Comp. Physiol. B 174:541).
    """
    rng = np.random.default_rng(11)
    for mean, sd in ((0.32, 0.14), (0.39, 0.18)):
        length = np.clip(rng.normal(mean, sd, 400), 0.04, None)
        start = np.cumsum(rng.exponential(60.0, 400) + 8.0)
        breaks = night(list(zip(start, start + length, strict=True))).tables["breaks"]
        assert (breaks["kind"].to_numpy(str) == "visit").mean() > 0.99
        assert abs(np.median(breaks["dur_us"].to_numpy()) / 1e6 / np.median(length) - 1) < 0.001


def test_a_contact_of_20_s_keeps_its_whole_length():
    """Voigt 2004: clinging to a mask, more than 20 s at the feeder. Rare, but a logger must not cut it short."""
    start = np.arange(1, 11) * 120.0
    breaks = night(list(zip(start, start + 20.0, strict=True))).tables["breaks"]
    assert np.allclose(breaks["dur_us"].to_numpy(), 20e6, atol=1.0)


@pytest.mark.parametrize("delay_s", [1 / 30, 1 / 10])
def test_a_mirror_cameras_delay_is_found(delay_s):
    """About 1/30 s, up to 1/10 s, from contact to shutter: common practice, no source."""
    rng = np.random.default_rng(5)
    at = np.cumsum(rng.exponential(20.0, 200) + 8.0)
    lag = delay_s + rng.normal(0, 0.0004, 200)
    beam = list(zip(at, at + 0.3, strict=True))
    sync = list(zip(at + lag, at + lag + 0.05, strict=True))
    light = list(zip(at + lag + 0.0002, at + lag + 0.0004, strict=True))
    found = night(beam, sync, light, path="beam_camera").estimates["latency"]["beam_camera"]
    median = found["heads"]["FLASH1"]["median"]
    truth_us = float(np.median(lag + 0.0002) * 1e6)
    assert median["n"] >= 195 and median["lo"] - 1 <= truth_us <= median["hi"] + 1
    assert abs(median["value"] - (delay_s + 0.0002) * 1e6) < 150


def test_flash_fired_directly_is_prompt():
    """A flash fired by its contact lights within a fraction of a millisecond: common practice, no source."""
    at = np.cumsum(np.full(150, 9.0))
    beam = list(zip(at, at + 0.2, strict=True))
    found = night(beam, light=list(zip(at + 0.0003, at + 0.0005, strict=True))).estimates["latency"]["beam_flash"]
    assert abs(found["heads"]["FLASH1"]["median"]["value"] - 300) < 2


def test_open_shutters_of_3_to_5_s_catch_visits_that_answer_the_beam():
    """Shutters stand open 3 to 5 s: common practice, no source. One fire in each frame, so each frame is kept."""
    at = np.cumsum(np.full(60, 30.0))
    opened = at - 2.0
    beam = list(zip(at, at + 0.2, strict=True))
    sync = list(zip(opened, opened + 4.0, strict=True))
    light = list(zip(at + 0.0003, at + 0.0005, strict=True))
    frames = night(beam, sync, light).tables["frames"]
    assert len(frames) == 60 and frames["kept"].to_numpy().all() and (frames["n_fires"] == 1).to_numpy().all()
