"""Unrolling of ring words against a slow model: one word at a time, wide integers, no packing."""

from array import array

from core import ticks

import helpers

TOP = 0xFFFFFF
SECOND_TICKS = 125000000 / 9


def model(words, mask, fill, epoch=-1, previous=None, high=0):
    """[(tick, tag, levels)] and [tick of each fall of SECOND] that the words say; previous None: first is stated."""
    found, falls = [], []
    for word in words:
        counter, levels = word >> 8, word & mask | fill
        if counter == TOP:
            epoch += 1
        tick = (epoch << 24) + TOP - counter
        if previous is None:
            found.append((tick, 2, levels))
        elif levels != previous:
            found.append((tick, 1, levels))
        if high and not word & 0x80:
            falls.append(tick)
        high = word & 0x80
        previous = levels
    return found, falls


def random_words(random, n, longest):
    """Words of a stamper that runs for a while: gaps of 1..longest ticks, markers where the counter wraps."""
    words = []
    tick = 0
    levels = 0x7F
    next_marker = 0
    while len(words) < n:
        while next_marker < tick:
            words.append(TOP << 8 | levels)
            next_marker += TOP + 1
        levels = random.below(256) if random.below(4) else levels ^ (1 << random.below(8))
        if tick == next_marker:
            next_marker += TOP + 1
        words.append((TOP - tick % (TOP + 1)) << 8 | levels)
        tick += 1 + random.below(longest)
    return words


def feed(unroller, words, room, chunk, take_falls):
    """Run words through a ring in chunks; returns records as (tick, tag, levels), falls, and the reasons seen."""
    ring = array("I", [0] * 64)
    out = bytearray(8 * room)
    s = unroller.s
    s[ticks.RING_MASK] = 63
    written = read = 0
    found, falls, reasons = [], [], set()
    while read < len(words):
        while written < len(words) and written - read < min(chunk, 63):
            ring[written & 63] = words[written]
            written += 1
        s[ticks.READ] = read & 63
        s[ticks.UNREAD] = before = written - read
        s[ticks.OUT_AT] = 0
        s[ticks.OUT_END] = 8 * room
        reason = ticks.unroll(ring, s, out, unroller.falls)
        reasons.add(reason)
        read += before - s[ticks.UNREAD]
        for at in range(0, s[ticks.OUT_AT], 8):
            found.append((int.from_bytes(out[at : at + 6], "little"), out[at + 6], out[at + 7]))
        if take_falls or s[ticks.FALLS] > 60:
            for i in range(unroller.take_falls()):
                falls.append(unroller.falls[2 * i + 1] << 24 | unroller.falls[2 * i])
    return found, falls, reasons


def new(channels=0xFF, low_mask=0x7F, limit=0):
    return ticks.Unroller(64, channels, low_mask, 125000000, 9, limit)


def test_random_words_against_the_model():
    random = helpers.Random(20)
    for channels in (0xFF, 0x81, 0x7F, 0xB9):
        for longest in (3, 3000, 5000000, 40000000):
            words = random_words(random, 700, longest)
            unroller = new(channels)
            mask = channels & 0x7F
            wanted = model(words, mask, 0x7F & ~mask)
            found, falls, _ = feed(unroller, words, 1 + random.below(20), 1 + random.below(63), True)
            assert found == wanted[0]
            assert falls == (wanted[1] if channels & 0x80 else [])
            assert all(not levels & 0x80 for _, _, levels in found)


def test_stops_at_a_fall_when_asked():
    unroller = new()
    words = [TOP << 8 | 0xFF, (TOP - 10) << 8 | 0xFE, (TOP - 20) << 8 | 0x7E, (TOP - 30) << 8 | 0x7F]
    unroller.s[ticks.STOP_AT_FALL] = 1
    ring = array("I", words + [0] * 60)
    s = unroller.s
    s[ticks.UNREAD], s[ticks.OUT_END] = 4, 800
    out = bytearray(800)
    assert ticks.unroll(ring, s, out, unroller.falls) == ticks.STATED
    assert ticks.unroll(ring, s, out, unroller.falls) == ticks.FELL
    assert unroller.tick() == 20 and s[ticks.UNREAD] == 1 and s[ticks.OUT_AT] == 16


def test_full_list_of_falls_comes_back():
    unroller = new()
    words = [TOP << 8 | 0x7F]
    for i in range(1, 400):
        words.append((TOP - 5 * i) << 8 | (0xFF if i & 1 else 0x7F))
    _, falls, reasons = feed(unroller, words, 10, 63, False)
    left = unroller.take_falls()
    assert len(falls) + left == 199 and ticks.EMPTY in reasons


def test_full_output_leaves_the_word_unread():
    unroller = new()
    words = [(TOP - i) << 8 | (i & 1) for i in range(50)]
    found, _, reasons = feed(unroller, words, 1, 50, True)
    assert len(found) == 50 and ticks.FULL in reasons


def test_a_marker_dropped_before_the_ring_is_noticed():
    random = helpers.Random(3)
    for _ in range(50):
        words = random_words(random, 60, 9000000)
        markers = [i for i in range(5, 55) if words[i] >> 8 == TOP and words[i + 1] >> 8 != TOP]
        if not markers:
            continue
        at = markers[random.below(len(markers))]
        if words[at - 1] >> 8 > words[at + 1] >> 8:
            continue  # the counter alone cannot tell: the timer has to, after a drop
        wanted, _ = model(words, 0x7F, 0)
        found, _, _ = feed(new(), words[:at] + words[at + 1 :], 20, 30, True)
        assert found[-1] == wanted[-1]


def test_epoch_is_found_again_after_a_loss():
    random = helpers.Random(8)
    for _ in range(200):
        words = random_words(random, 120, 9000000)
        wanted, _ = model(words, 0x7F, 0)
        cut = random.between(20, 100)
        lost = random.between(1, 15)
        unroller = new()
        feed(unroller, words[:cut], 20, 30, True)
        rest = words[cut + lost :]
        ring = array("I", rest + [0] * (64 - len(rest) % 64))
        last_tick = model(words, 0xFF, 0)[0][-1][0] if words[-1] & 0x7F else None
        if last_tick is None or len(rest) > 63:
            continue
        unroller.s[ticks.FRESH] = 1
        unroller.s[ticks.RING_MASK] = len(ring) - 1 if len(ring) == 64 else 127
        unroller.s[ticks.READ], unroller.s[ticks.UNREAD] = 0, len(rest)
        now = true_tick(words) + random.below(TOP - 20000)
        unroller.find_epoch(ring, now)
        out = bytearray(8 * 200)
        unroller.s[ticks.OUT_AT], unroller.s[ticks.OUT_END] = 0, 8 * 200
        while ticks.unroll(ring, unroller.s, out, unroller.falls) != ticks.EMPTY:
            unroller.take_falls()
        found = []
        for at in range(0, unroller.s[ticks.OUT_AT], 8):
            found.append((int.from_bytes(out[at : at + 6], "little"), out[at + 6], out[at + 7]))
        assert found[0][1] == 2
        first = found[0][0]
        assert found[1:] == [row for row in wanted if row[0] > first]


def true_tick(words):
    epoch = sum(1 for word in words if word >> 8 == TOP) - 1
    return (epoch << 24) + TOP - (words[-1] >> 8)


def test_ticks_past_32_bits():
    unroller = new()
    words = [TOP << 8 | 0x7F] * 1000 + [(TOP - 5) << 8 | 0x7E]
    found, _, _ = feed(unroller, words, 4, 60, True)
    assert found[-1] == ((999 << 24) + 5, 1, 0x7E)
    assert unroller.tick() == (999 << 24) + 5


def test_save_and_restore_give_the_same_again():
    random = helpers.Random(5)
    words = random_words(random, 60, 9000000)
    unroller = new()
    feed(unroller, words[:20], 30, 20, True)
    unroller.save()
    first = feed(unroller, words[20:], 60, 40, True)
    unroller.restore()
    assert feed(unroller, words[20:], 60, 40, True)[:2] == first[:2]
