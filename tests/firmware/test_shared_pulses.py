"""A light pulse's shape, cut out of the converter's ring and coded, against plain arithmetic and a plain decoder."""

from array import array

from core import pulses, records

import helpers

SAMPLES = 8192


def read_back(data):
    """Codes of the 82 records in `data`, by FORMAT.md 2.5: [codes], and the running numbers of the records."""
    nibbles, numbers = [], []
    for at in range(0, len(data), 8):
        assert data[at + 6] == 0x82
        numbers.append(data[at + 7])
        for byte in data[at : at + 6]:
            nibbles += [byte & 15, byte >> 4]
    return nibbles, numbers


def codes_of(nibbles, kept):
    found, at = [], 0
    while len(found) < kept:
        if not found or nibbles[at] == 15:
            at += 1 if found else 0
            found.append(nibbles[at] << 8 | nibbles[at + 1] << 4 | nibbles[at + 2])
            at += 3
        else:
            found.append(found[-1] + nibbles[at] - 7)
            at += 1
    return found, nibbles[at:]


class Shape:
    """Codes put into a ring from index `first` on, and what core/pulses.py makes of them."""

    def __init__(self, codes, edge, first=0):
        self.codes = codes
        self.ring = array("H", [4095] * SAMPLES)
        for i, code in enumerate(codes):
            self.ring[(first + i) % SAMPLES] = code
        self.pulse = pulses.Pulse()
        self.pulse.measured(self.ring, SAMPLES, first, len(codes), edge)
        self.groups = []
        while True:
            packed = bytes(self.pulse.group(self.ring))
            if not packed:
                break
            self.groups.append(packed)

    def at(self, place):
        return self.pulse.s[place]

    def kept(self):
        """The kept samples as a reader finds them; every check of the format asserted."""
        nibbles, numbers = read_back(b"".join(self.groups))
        assert numbers == [i % 256 for i in range(len(numbers))]
        found, left = codes_of(nibbles, self.at(pulses.KEPT))
        assert len(left) < 12 and not any(left)
        assert all(len(group) <= 59 * 8 for group in self.groups)
        return found


def flash(before, lit, after, base=100, peak=2000, noise=2, seed=1):
    """Codes of a light that rises within four samples and falls in a straight line."""
    random = helpers.Random(seed)
    codes = []
    for i in range(before + lit + after):
        t = i - before
        light = 0
        if 0 <= t < lit:
            light = peak * min(t + 1, 4) // 4 * (lit - t) // lit
        codes.append(base + light + random.below(2 * noise + 1) - noise)
    return codes


def test_what_is_kept_is_the_light_with_a_margin_on_both_sides():
    for first in (0, 8000):
        shape = Shape(flash(200, 300, 1600), 200, first)
        kept = shape.kept()
        assert shape.at(pulses.LEAD) == 64 and shape.at(pulses.CUT) == 0
        assert shape.at(pulses.PEAK) == max(shape.codes)
        assert kept == shape.codes[136 : 136 + len(kept)]
        assert 64 + 280 + 64 <= len(kept) <= 64 + 300 + 16 + 64  # the last of 300 is below three codes


def test_a_long_light_is_cut_and_says_so():
    shape = Shape(flash(200, 3000, 0), 200)
    assert shape.at(pulses.CUT) == 1 and shape.at(pulses.KEPT) == 2048
    assert shape.kept() == shape.codes[136 : 136 + 2048]


def test_a_light_as_long_as_the_room_is_not_cut():
    shape = Shape(flash(200, 1900, 200), 200)
    # of the straight fall the last 64th, 30 samples, counts as dark: 1,872 are light in whole slices of 16 from the end
    assert shape.at(pulses.CUT) == 0 and shape.at(pulses.KEPT) == 64 + 1872 + 64
    assert shape.kept() == shape.codes[136 : 136 + 2000]


def test_nothing_wired_keeps_no_samples():
    for noise in (0, 1, 5):
        shape = Shape(flash(200, 0, 2000, noise=noise), 200)
        assert shape.at(pulses.KEPT) == 0 and shape.groups == []
        assert shape.at(pulses.PEAK) == max(shape.codes[136:])
    assert Shape(flash(200, 300, 1500, peak=40), 200).at(pulses.KEPT) > 0


def test_a_converter_that_had_just_begun():
    for ahead in (0, 1, 15, 16, 63):
        shape = Shape(flash(ahead, 200, 1500), ahead)
        assert shape.at(pulses.LEAD) == ahead
        assert shape.kept() == shape.codes[: shape.at(pulses.KEPT)]
    assert Shape([], 0).groups == []
    assert Shape([7], 0).groups == []
    assert Shape([4000] * 20, 0).at(pulses.KEPT) == 0  # no light stands out of it


def test_any_codes_come_back_as_they_were():
    random = helpers.Random(9)
    for trial in range(30):
        n = random.between(20, 2400)
        step = (3, 7, 8, 40, 4095)[trial % 5]
        codes, code = [], 0
        for _ in range(n):
            code = max(0, min(4095, code + random.between(-step, step)))
            codes.append(code)
        edge = random.below(min(n, 300))
        shape = Shape(codes, edge, random.below(SAMPLES))
        start = edge - shape.at(pulses.LEAD)
        assert shape.kept() == codes[start : start + shape.at(pulses.KEPT)]


def test_the_largest_step_of_a_nibble_and_the_smallest_escape():
    for step, nibbles in ((7, 1), (-7, 1), (8, 4), (-8, 4)):
        codes = [1000] * 64 + [3000, 3000 + step] * 20 + [1000] * 80
        shape = Shape(codes, 64)
        assert shape.kept() == codes[: shape.at(pulses.KEPT)]
        used = 3 + 63 + 4 + nibbles * 20 + (1 if nibbles == 1 else 4) * 19 + 4 + shape.at(pulses.KEPT) - 105
        assert len(b"".join(shape.groups)) == (used + 11) // 12 * 8


def test_header_holds_what_the_format_says():
    shape = Shape(flash(200, 300, 1600, peak=3000), 200)
    (tag, value, flashes), (timing_tag, timing, _) = shape.pulse.header(70000, 5, 2000, 127300)
    assert tag == records.PULSE and flashes == 5 and timing_tag == records.PULSE_TIMING
    assert value & 0xFFFF == 70000 % 65536
    assert value >> 16 & 0xFFF == shape.at(pulses.KEPT) and value >> 28 & 0xFFF == max(shape.codes)
    assert value >> 40 == 0
    assert timing & 0xFFFFFF == 2000 and timing >> 24 == 127300


def test_a_night_of_the_budget_is_24_hours_from_its_first_pulse():
    budget = pulses.Budget()
    assert budget.allows(1000, 5000, True)
    budget.used += 999
    assert budget.allows(1000, 6000, True)
    budget.used += 1
    assert not budget.allows(1000, 5000 + 86399999, True)
    assert budget.allows(1000, 5000 + 86400000) and budget.used == 0
    budget.used = 1000
    budget.begin()
    assert budget.allows(1000, 5000 + 86400001) and budget.used == 0


def test_the_budget_is_spread_over_twelve_hours():
    budget = pulses.Budget()
    hour = 3600000
    stored = []
    for minute in range(14 * 60):
        while budget.allows(64000, 7 + minute * 60000):
            budget.used += 400
            stored.append(minute)
    assert stored.count(0) == 20, "an eighth, 8,000 bytes"
    assert sum(minute < 360 for minute in stored) in range(89, 92), "an eighth and half of the rest by the sixth hour"
    assert len(stored) == 160 and stored[-1] in range(715, 721)
    assert not budget.allows(64000, 13 * hour) and not budget.allows(64000, 13 * hour, True)
