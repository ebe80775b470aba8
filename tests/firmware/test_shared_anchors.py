"""Which second began at which fall: believed only well inside a second, only between regular falls, only twice."""

from core.anchors import NO_CHIP, NO_WAVE, NOT_CONFIRMED, OSCILLATOR_STOPPED, Anchors

NOMINAL = 125000000 // 9
S = 1750000000


def fall(anchors, tick):
    anchors.fall(tick & 0xFFFFFF, tick >> 24)


def started(first=3000000):
    """Anchors after two falls a second apart, the second at first + NOMINAL."""
    anchors = Anchors(NOMINAL)
    fall(anchors, first)
    fall(anchors, first + NOMINAL)
    return anchors, first + NOMINAL


def read(anchors, tick, second):
    return anchors.reading(tick, second, tick + 7000)


def test_one_reading_is_not_enough():
    anchors, at = started()
    assert anchors.wants_reading()
    assert read(anchors, at + NOMINAL // 2, S) and anchors.second is None
    fall(anchors, at + NOMINAL)
    assert read(anchors, at + NOMINAL + NOMINAL // 2, S + 1)
    assert anchors.second == S + 1 and anchors.tick() == at + NOMINAL
    assert not anchors.wants_reading()


def test_second_is_counted_on_over_falls_and_gaps_of_whole_seconds():
    anchors, at = started()
    read(anchors, at + NOMINAL // 2, S)
    fall(anchors, at + NOMINAL)
    read(anchors, at + NOMINAL * 3 // 2, S + 1)
    fall(anchors, at + NOMINAL * 2 + 300)
    assert anchors.second == S + 2
    fall(anchors, at + NOMINAL * 42 - 900)  # falls lost in between
    assert anchors.second == S + 42


def test_readings_near_a_boundary_are_not_believed():
    for share in (0, 5, 9, 91, 99, 120):
        anchors, at = started()
        assert read(anchors, at + NOMINAL * share // 100, S)
        assert anchors._candidate is None and anchors.wants_reading()


def test_readings_that_straddle_the_window_are_not_believed():
    for before, after in ((85, 95), (5, 15), (95, 50)):
        anchors, at = started()
        anchors.reading(at + NOMINAL * before // 100, S, at + NOMINAL * after // 100)
        assert anchors.wants_reading()


def test_first_fall_alone_carries_no_reading():
    anchors = Anchors(NOMINAL)
    fall(anchors, 100)
    read(anchors, 100 + NOMINAL // 2, S)
    assert anchors.second is None and not anchors.wants_reading()


def test_contradiction_starts_anew():
    anchors, at = started()
    read(anchors, at + NOMINAL // 2, S)
    fall(anchors, at + NOMINAL)
    read(anchors, at + NOMINAL * 3 // 2, S + 1)
    fall(anchors, at + 2 * NOMINAL)
    assert not read(anchors, at + NOMINAL * 5 // 2, S + 3)
    assert anchors.second is None


def test_disagreeing_first_readings_go_on_until_two_agree():
    anchors, at = started()
    said = (S, S + 7, S + 8, S + 9)
    for i, second in enumerate(said):
        read(anchors, at + i * NOMINAL + NOMINAL // 2, second)
        if i < len(said) - 1:
            fall(anchors, at + (i + 1) * NOMINAL)
    assert anchors.second == S + 9


def test_fall_off_by_more_than_500_ppm_ends_belief():
    for off, kept in ((6900, True), (-6900, True), (7000, False), (-7000, False), (NOMINAL // 3, False)):
        anchors, at = started()
        read(anchors, at + NOMINAL // 2, S)
        fall(anchors, at + NOMINAL)
        read(anchors, at + NOMINAL * 3 // 2, S + 1)
        fall(anchors, at + 2 * NOMINAL + off)
        assert (anchors.second == S + 2) is kept, off


def test_long_silence_ends_belief():
    anchors, at = started()
    read(anchors, at + NOMINAL // 2, S)
    fall(anchors, at + NOMINAL)
    read(anchors, at + NOMINAL * 3 // 2, S + 1)
    fall(anchors, at + 300 * NOMINAL)
    assert anchors.second is None


def test_state_bits():
    anchors, at = started()
    assert anchors.state(at + NOMINAL, False, True) == NOT_CONFIRMED
    assert anchors.state(at + 3 * NOMINAL, False, True) == NOT_CONFIRMED | NO_WAVE
    assert anchors.state(at, True, False) == NOT_CONFIRMED | OSCILLATOR_STOPPED | NO_CHIP
    anchors.second = S
    assert anchors.state(at, False, True) == 0
    assert Anchors(NOMINAL).state(10, False, True) == NOT_CONFIRMED | NO_WAVE


def test_window_says_how_long_to_wait():
    anchors, at = started()
    wait = anchors.window(at + 100)
    assert wait > 0 and anchors.window(at + 100 + wait) == 0
    assert anchors.window(at + NOMINAL * 95 // 100) is None
    assert Anchors(NOMINAL).window(5) is None
