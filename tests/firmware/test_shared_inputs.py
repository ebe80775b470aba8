"""What the board itself finds wrong with its inputs: rules of FORMAT.md section 2.4, on invented wires."""

from core import faults, records

from bench import Bench

BEAM, BEAM2, SYNC, FLASH1, FLASH2 = 1, 2, 4, 8, 16
SECOND = 125000000 / 9
QUIET = 0x7F


def played(changes, seconds, **more):
    """A bench that lived for so long on changes of (s, mask of the active channels); active is low."""
    bench = Bench(**more)
    bench.pace.edges = [(int(t * SECOND), QUIET & ~mask) for t, mask in changes]
    bench.run(seconds)
    return bench


def found(bench):
    return bench.facts("state")["inputs"]


def told(bench):
    """(fault number, detail) of the log."""
    return [(value & 0xFFFF, value >> 16) for value, tag, _ in bench.rows() if tag == records.FAULT]


def pulses(hz, seconds, mask, begin=20.0, share=0.5):
    out = []
    for k in range(int(hz * seconds)):
        out += [(begin + k / hz, mask), (begin + (k + share) / hz, 0)]
    return out


def test_a_quiet_board_finds_nothing():
    bench = played([], 900)
    assert found(bench) == [] and told(bench) == [] and bench.lamp.calls[-1][0] == "logging"


def test_visits_with_lights_are_nothing_wrong():
    changes = []
    for k in range(200):
        t = 20 + 7 * k
        changes += [(t, BEAM), (t + 0.002, BEAM | FLASH1), (t + 0.00204, BEAM | FLASH1 | FLASH2)]
        changes += [(t + 0.0023, BEAM | FLASH2), (t + 0.00235, BEAM), (t + 0.05, 0)]
    bench = played(changes, 1500, settings={"channels": 0x9F})
    assert found(bench) == [] and told(bench) == []


def test_a_beam_broken_from_the_start_is_told_after_five_minutes_and_forgotten_when_whole():
    bench = played([(1e-6, BEAM), (400.0, 0)], 280)
    assert found(bench) == []
    bench.run(90)
    assert found(bench) == [[faults.INPUT_NEW, BEAM]] and bench.lamp.calls[-1][0] == "fault"
    bench.run(150)
    assert found(bench) == [] and bench.lamp.calls[-1][0] == "logging"
    assert told(bench) == [(18, BEAM)]


def test_wrong_polarity_is_active_but_for_short_moments():
    changes = [(0.5, BEAM)]
    for k in range(60):
        changes += [(10 + 10 * k, 0), (10.05 + 10 * k, BEAM)]
    assert found(played(changes, 420)) == [[faults.INPUT_NEW, BEAM]]


def test_dew_is_a_beam_that_worked_and_is_broken_for_half_an_hour():
    bench = played([(200.0, BEAM)], 1900)
    assert found(bench) == []
    bench.run(200)
    assert found(bench) == [[faults.INPUT_LONG, BEAM]] and told(bench) == [(19, BEAM)]
    bench.run(3600)
    assert told(bench) == [(19, BEAM)] * 2  # once an hour
    assert found(played([(200.0, BEAM), (1700.0, 0)], 2100)) == []


def test_daylight_on_a_light_sensor_is_nothing_for_hours():
    bench = played([(0.5, FLASH1)], 5 * 3600, longest_ms=20000)
    assert found(bench) == []
    bench.run(2 * 3600)
    assert found(bench) == [[faults.INPUT_NEW, FLASH1]]


def test_open_shutters_hold_the_contact_closed():
    changes = [(1.0, SYNC)]
    for k in range(60):
        changes += [(8 + 8 * k, 0), (8.3 + 8 * k, SYNC)]
    assert found(played(changes, 480)) == []
    assert found(played([(1.0, SYNC)], 480)) == [[faults.INPUT_NEW, SYNC]]


def test_two_channels_that_change_within_a_tick_are_one_wire():
    changes = []
    for k in range(12):
        t = 20 + 3 * k
        changes += [(t, BEAM), (t + 72e-9, BEAM | SYNC), (t + 0.5, SYNC), (t + 0.5 + 72e-9, 0)]
    bench = played(changes, 60)
    assert found(bench) == [[faults.INPUT_TWINS, BEAM | SYNC]] and told(bench) == [(20, BEAM | SYNC)]
    bench.pace.edges = [(int(61 * SECOND), QUIET & ~BEAM), (int(61.1 * SECOND), QUIET)]
    bench.run(70)
    assert found(bench) == []


def test_some_microseconds_apart_are_two_wires():
    changes = []
    for k in range(30):
        t = 20 + k
        changes += [(t, BEAM), (t + 3e-6, BEAM | SYNC), (t + 0.5, SYNC), (t + 0.5 + 3e-6, 0)]
    assert found(played(changes, 60)) == []


def test_hum_has_the_frequency_of_mains():
    for hz in (50, 60, 100, 120):
        bench = played(pulses(hz * 1.001, 15, BEAM2), 34, settings={"chatter_limit": 0})
        assert found(bench) == [[faults.INPUT_HUM, BEAM2 | hz << 8]], hz
        assert told(bench) == [(21, BEAM2 | hz << 8)]


def test_wings_are_no_hum_and_fast_chatter_is_none_either():
    assert found(played(pulses(56, 15, BEAM), 34)) == []
    bench = played(pulses(170, 15, BEAM), 34)
    assert found(bench) == [[faults.INPUT_CHATTER, BEAM]]
    assert (22, BEAM) in told(bench)
    bench.run(70)
    assert found(bench) == []


def test_a_sensor_that_stays_dark_while_another_sees_light():
    changes = pulses(0.5, 60, FLASH1, share=0.001)
    bench = played(changes, 200, settings={"channels": 0x99})
    assert found(bench) == [[faults.INPUT_SILENT, BEAM | FLASH2]]
    bench = played(changes, 10, settings={"channels": 0x99})
    bench.facts("shot 1 100")  # on the bench lights come without a break, and heads fire alone
    bench.run(200)
    assert found(bench) == []


def test_all_findings_and_faults_fit_into_a_frame():
    bench = played([], 10)
    watch = bench.station.inputs
    for channel in range(7):
        watch._hum_runs[channel] = 200
        watch._bad[channel] = 1 << 29
        for other in range(channel + 1, 7):
            watch._same[7 * channel + other] = 200 if other == channel + 1 else 0
    for number in (1, 2, 3, 4, 7, 8, 9, 10):
        bench.station.parts.fault(number, 12345)
    assert len(bench.facts("state")["inputs"]) >= 10
