"""Chances of fires in an open shutter: against drawn windows, published probabilities and relations, and by hand."""

import math

import numpy as np
import pytest
from duskgate.plan import shutter
from hypothesis import given
from hypothesis import strategies as st

from tests.benchmarks.truth_keepers import form_errors

DRAWN = [(0.2, 2.5, 4.0), (0.2, 2.5, 8.0), (1.0, 0.9, 0.5), (1.0, 0.9, 1.5), (0.05, 0.9, 4.0), (0.2, 0.0, 4.0)]


@pytest.mark.parametrize("form", DRAWN)
def test_closed_forms_against_400_000_drawn_windows(form):
    assert max(form_errors(*form, np.random.default_rng(5))) <= 0.005


def test_without_dead_time_they_are_poisson():
    # Poisson probabilities as tables print them (from memory; e.g. Pearson & Hartley, Biometrika Tables for
    # Statisticians vol. 1): mean 0.5: .6065 .3033; mean 1: .3679 .3679; mean 2: .1353 .2707; mean 4: .0183 .0733
    table = {0.5: (0.6065, 0.3033), 1.0: (0.3679, 0.3679), 2.0: (0.1353, 0.2707), 4.0: (0.0183, 0.0733)}
    for mean, (none, one) in table.items():
        for charged in (False, True):
            assert float(shutter.p_none(0.25, 0, mean / 0.25, charged)) == pytest.approx(none, abs=5e-5)
            assert float(shutter.p_one(0.25, 0, mean / 0.25, charged)) == pytest.approx(one, abs=5e-5)


def test_plain_poisson_would_be_far_off_with_a_dead_time():
    assert float(shutter.p_one(0.2, 2.5, 4.0)) == pytest.approx(0.479, abs=5e-4)
    assert 0.2 * 4 * math.exp(-0.2 * 4) == pytest.approx(0.359, abs=5e-4)  # what the rate of events alone would say


def test_rates_behind_a_dead_time():
    # Non-paralysable counter, Muller 1974, Nucl. Instrum. Methods 117:401: n = m / (1 - m d). By hand: 1000 counts
    # a second at 100 us dead time are 1000 / 0.9 = 1111.1 true ones.
    assert shutter.true_rate(1000, 1e-4) == pytest.approx(1111.11, abs=0.01)
    assert shutter.observed_rate(0.5, 2.0) == pytest.approx(0.25)
    with pytest.raises(ValueError, match="faster"):
        shutter.true_rate(0.5, 2.0)


@given(st.floats(1e-4, 3), st.floats(0, 20), st.floats(0, 60), st.booleans())
def test_chances_are_chances(rate, dead, open_s, charged):
    none, one, more = (float(p(rate, dead, open_s, charged)) for p in (shutter.p_none, shutter.p_one, shutter.p_more))
    assert -1e-9 <= none <= 1 and -1e-9 <= one <= 1 and none + one + more == pytest.approx(1, abs=1e-6)
    assert shutter.true_rate(shutter.observed_rate(rate, dead), dead) == pytest.approx(rate, rel=1e-6)


@given(st.floats(0.01, 1), st.floats(0.1, 5))
def test_pieces_meet_where_they_join(rate, dead):
    for edge in (dead, 2 * dead):
        below, above = edge * (1 - 1e-9), edge * (1 + 1e-9)
        for p in (shutter.p_none, shutter.p_one):
            assert float(p(rate, dead, below)) == pytest.approx(float(p(rate, dead, above)), abs=1e-6)


@pytest.mark.parametrize(("rate", "best"), [(0.01, 7.146), (0.05, 3.053), (0.2, 1.406)])
def test_best_time_without_dead_time_is_where_the_curve_tops(rate, best):
    found = shutter.best_open_s(rate, 0.55)
    assert found == pytest.approx(best, abs=0.001)  # by hand: (-.55 + sqrt(.3025 + 2.2 / rate)) / 2
    t = np.linspace(0.2, 20, 19_801)
    kept = shutter.p_one(rate, 0, t) * shutter.frames_per_h(t, 0.55)
    assert t[np.argmax(kept)] == pytest.approx(found, abs=0.002)


def test_what_cannot_be_is_refused():
    for wrong in ((-1, 0, 1), (math.nan, 0, 1), (1, -1, 1)):
        with pytest.raises(ValueError):
            shutter.p_one(*wrong)
    with pytest.raises(ValueError):
        shutter.best_open_s(0, 0.5)
    assert float(shutter.p_one(0, 1, 4)) == 0 and float(shutter.p_none(0, 1, 4)) == 1
