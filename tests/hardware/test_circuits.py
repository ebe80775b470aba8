"""The figures on the pages follow from the component values: solved here by another way than in sheets/values.py."""

import importlib
import re
import sys
from math import log, log2, pi, sqrt
from pathlib import Path

import numpy as np
import pytest

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"


def page(name):
    return (NOTES / name).read_text(encoding="utf-8")


def prose(name):
    """A page with every run of white space as one blank, so that sentences are found wherever lines break."""
    return " ".join(page(name).split())


@pytest.fixture(scope="module")
def values():
    sys.path.insert(0, str(NOTES))
    try:
        return importlib.import_module("sheets.values")
    finally:
        sys.path.remove(str(NOTES))


def node_voltage(branches):
    """Voltage of a node by Kirchhoff's current law; branches are (far voltage, ohm)."""
    return np.linalg.solve([[sum(1 / r for _, r in branches)]], [sum(u / r for u, r in branches)])[0]


def test_thresholds_of_the_light_sensor(values):
    divider = [(3.3, 100e3), (0.0, 3.3e3)]
    on = node_voltage([*divider, (3.3, 330e3 + 4.7e3)])
    off = node_voltage([*divider, (values.LOW_V, 330e3)])
    assert values.light_on_v() == pytest.approx(on, rel=1e-9)
    assert values.light_off_v() == pytest.approx(off, rel=1e-9)
    assert f"{on * 1e3:.0f} mV" in prose("bench.md") and "| expected | 136 | 106 |" in prose("bench.md")
    assert 0.02 < on - off < 0.05  # well above a 393's offset (some mV), well below the threshold itself


def test_thresholds_of_the_break_watcher(values):
    threshold = 3.3 * 3.3 / 103.3

    def plus_input(signal_v, output_v):
        return node_voltage([(signal_v, 10e3), (output_v, 1e6)])

    assert plus_input(values.dark_below_v(), 3.3) == pytest.approx(threshold, rel=1e-9)
    assert plus_input(values.lit_above_v(), values.LOW_V) == pytest.approx(threshold, rel=1e-9)
    dark, lit = values.dark_below_v(), values.lit_above_v()
    assert f"below {dark * 1e3:.0f} mV, light above {lit * 1e3:.0f} mV" in prose("beam.md")
    late_us = 100 * log(0.30 / round(dark, 3))
    assert f"= {late_us:.0f} µs" in prose("beam.md")


def test_pulls_are_strong_enough_for_erratum_e9(values):
    """External pulls of 8.2 kilohm or less (raspberrypi/pico-feedback issue 401), series resistor included."""
    assert values.PULL_UP_OHM + values.SERIES_OHM <= 8200
    # pulled low through the series resistor by an open collector, 120 µA of leakage leave a sure low
    assert values.LOW_V + 120e-6 * values.SERIES_OHM < values.INPUT_LOW_V


def test_currents_stay_within_the_parts(values):
    assert values.sync_a() == pytest.approx(1.1 / 330)
    assert values.shot_a() == pytest.approx(2.1 / 470)
    assert values.tap_a() == pytest.approx(2.6 / 470)
    # a current transfer ratio of 50 % (half of what parts.md asks for) still sinks the pull-up
    for current in (values.sync_a(), values.tap_a()):
        assert 0.5 * current > values.pull_up_a()


def test_speed_of_the_light_sensor(values):
    tau = 1e3 * (40e-12 + 3 * 100e-12)
    assert values.sensor_tau_s() == pytest.approx(tau)
    assert f"{1 / (2 * pi * tau) / 1e3:.0f} kHz" in prose("sensors.md")
    assert values.rise_s(10) == pytest.approx(4.7e3 * 1e-9 * log(3.3 / 1.3))


def test_light_levels_on_the_page():
    text = page("sensors.md")
    rows = re.findall(r"^\| 1/(\d+) \| (\d+) µs \| ([\d,]+) klx \| ([\d,]+) klx \| ([\d,]+) klx \|$", text, flags=re.M)
    assert len(rows) == 3
    for power, t_us, *levels in rows:
        guide_number = 36 / sqrt(int(power))
        for metres, level in zip((0.3, 2, 5), levels, strict=True):
            peak_klx = 2.5 * guide_number**2 / metres**2 * log(2) / (int(t_us) * 1e-6) / 1e3
            assert float(level.replace(",", "")) == pytest.approx(peak_klx, rel=0.02)


def test_run_times_on_the_page():
    text = page("power.md")
    row = r"^\| [^|]+ \| ([\d.]+) V \| ([\d.]+) Ah[^|]* \| ([\d.]+) V \| (\d+) \| (\d+) \|"
    rows = re.findall(row, text, flags=re.M)
    assert len(rows) == 4
    for volts, capacity, full, hours, nights in rows:
        expected = float(volts) * float(capacity) * 0.85 / 0.125
        assert int(hours) == pytest.approx(expected, abs=0.6)
        assert int(nights) == int(expected // 12)
        assert float(full) <= 5.5  # limit of VSYS


def test_bench_figures():
    text = prose("bench.md")
    assert f"{sqrt(800 / 5200):.2f} m" in text
    assert "206,122" in text and round((5.00 / 4.90 * 3 - 1) * 100e3) == 206122
    assert "code 2069" in text and round(5 / 3 / 3.3 * 4096) == 2069
    assert "13,888,889 ± 417" in text and round(125e6 / 9) == 13888889 and round(125e6 / 9 * 30e-6) == 417
    for n, percent in ((10, "31 %"), (40, "8.8 %"), (100, "3.6 %"), (20, "17 %")):
        upper = 100 * (1 - 0.025 ** (1 / n))
        assert f"{upper:.2g} %" == percent and percent in text
    assert log2(30) < 5  # "some five times t0.5": a peak of 30 thresholds


def test_order_statistics_hold_their_level():
    """Ranks for n = 100: P(X(l) < quantile < X(u)) from the binomial (Hahn and Meeker, Statistical Intervals, 1991)."""
    from scipy.stats import binom

    for quantile, low, high in ((0.5, 40, 61), (0.95, 90, 99)):
        level = binom.cdf(high - 1, 100, quantile) - binom.cdf(low - 1, 100, quantile)
        assert 0.945 <= level <= 0.975
    text = prose("bench.md")
    assert "the 40th to the 61st" in text and "the 90th to the 99th" in text


def test_divider_drain_and_resolution_on_the_page():
    text = prose("sensors.md")
    assert "17 µA" in text and round(5 / 300e3 * 1e6) == 17
    assert "2.4 mV" in text and round(3.3 / 4096 * 3 * 1e3, 1) == 2.4
    factor = (200e3 * 1.01 + 100e3 * 0.99) / (100e3 * 0.99) / 3  # worst pair of 1 % resistors
    assert f"{(factor - 1) * 100:.1f} %" == "1.3 %"
