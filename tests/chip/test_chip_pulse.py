"""Light pulses by the board's own converter: frozen by the FLASH edge, shape and time right, stamps not disturbed.

Needs a board whose surroundings can put a scripted voltage on GP26 (`adc_wave` in README.md); skips elsewhere.
"""

import numpy as np
import pandas as pd
import pytest

from . import figures, light, scene
from .chipboard import Played, boot_rows
from .light import HEADS, scene_of

FLASH1 = 3
KEPT_BEFORE = 64  # samples before the edge, FORMAT.md 2.5
SAMPLE_NS = 2000  # 96 cycles of 48 MHz, RP2040 data sheet 4.9
GAP_US = 0.9e6


@pytest.fixture()
def watching(board):
    """A board that keeps every pulse, with a dark photodiode and edges stored at once."""
    board.control("adc", values={str(light.PULSE_PIN): light.BASE_V})
    if "adc_wave" not in board.control("scene", scene=scene_of([])):
        pytest.skip("the board's surroundings play no voltages on GP26 (adc_wave)")
    with board.link() as link:
        link.setting("pulse_kb", 1000)
        yield board, link
        link.setting("pulse_kb", 64)


def fires(n: int, gap_us: float = GAP_US, begin_us: float = 400e3, heads=range(4)) -> list[tuple[float, int]]:
    return [(begin_us + gap_us * k + 317.77 * k, list(heads)[k % len(heads)]) for k in range(n)]


def play(board, wanted: dict, after_us: float = 600e3) -> float:
    """Play it to its end; board time of its begin."""
    begin = board.control("scene", scene=wanted)["start_us"]
    board.control.wait_until(begin + max(edge["t_us"] for edge in wanted["edges"]) + after_us)
    return begin


def rises(recording, boot_id: int, head: int) -> np.ndarray:
    edges = boot_rows(recording, "edges", boot_id)
    return edges[(edges["channel"] == FLASH1 + head) & (edges["level"] == 1)]["t_ns"].to_numpy()


def fitted(pulses: pd.DataFrame, heads: list[int]) -> pd.DataFrame:
    """Largest error in codes and lateness in ns of each pulse against the light played."""
    found = []
    for (_, row), head in zip(pulses.iterrows(), heads, strict=True):
        found.append(light.fit(HEADS[head], row["codes"].astype(float), row["start_ns"], row["step_ns"]))
    return pd.DataFrame(found, columns=["codes", "late_ns"])


def peak_slack(head: light.Light) -> float:
    """The tip of the light may fall between two samples."""
    slope = head.peak_v / min(head.rise_us, head.tau_us)
    return 1 + slope * SAMPLE_NS / 1000 * light.CODES / light.FULL_V


def test_shapes_are_those_played(watching):
    board, link = watching
    boot_id = link.who()["boot_id"]
    first = len(boot_rows(board.log(link), "pulses", boot_id))
    given = fires(12)
    play(board, scene_of(given))
    heads = [head for _, head in given]
    recording = board.log(link)
    pulses = boot_rows(recording, "pulses", boot_id).iloc[first:]
    assert pulses["flash"].tolist() == [1 << head for head in heads]
    assert pulses["complete"].to_numpy().all()
    assert not pulses["cut"].to_numpy().any()
    assert (pulses["step_ns"].to_numpy() == SAMPLE_NS).all()
    for head in range(4):  # the moment of a pulse is its edge, to the tick
        mine = pulses[pulses["flash"] == 1 << head]["t_ns"].to_numpy()
        assert np.array_equal(mine, rises(recording, boot_id, head)[-len(mine) :])
    assert (np.abs(pulses["start_ns"].to_numpy() + KEPT_BEFORE * SAMPLE_NS) <= SAMPLE_NS).all()
    errors = fitted(pulses, heads)
    figures.note(
        "light pulses against the lights played", n=len(pulses), largest_error_codes=errors["codes"].max(),
        late_ns_least=errors["late_ns"].min(), late_ns_most=errors["late_ns"].max(),
        samples=[len(codes) for codes in pulses["codes"]][:4],
    )  # fmt: skip
    assert errors["codes"].to_numpy().max() <= 1  # rounding of the code, and of the shift found
    # half a sample either way is what the log says
    assert np.abs(errors["late_ns"].to_numpy()).max() <= SAMPLE_NS / 2 + 100
    for row, head in zip(pulses.itertuples(), heads, strict=True):
        assert abs(row.peak - HEADS[head].codes(np.linspace(0, 60, 601)).max()) <= peak_slack(HEADS[head])


def test_dark_photodiode_is_told_without_samples(watching):
    board, link = watching
    boot_id = link.who()["boot_id"]
    wanted = scene_of(fires(2))
    del wanted["adc_wave"]
    play(board, wanted)
    pulses = boot_rows(board.log(link), "pulses", boot_id).iloc[-2:]
    assert [len(codes) for codes in pulses["codes"]] == [0, 0]
    base = round(light.BASE_V / light.FULL_V * light.CODES)
    assert (np.abs(pulses["peak"].to_numpy() - base) <= 1).all()


def test_long_light_is_cut_and_several_heads_are_told(watching):
    board, link = watching
    boot_id = link.who()["boot_id"]
    wanted = scene_of([(400e3, 0), (400e3, 1), (1.4e6, 0)])
    wanted["adc_wave"][str(light.PULSE_PIN)]["pulses"].append(light.Light(1.0, 20.0, 9000.0).played(1.4e6 + 2.8e3))
    play(board, wanted)
    pulses = boot_rows(board.log(link), "pulses", boot_id).iloc[-2:]
    assert pulses["flash"].tolist() == [3, 1]
    assert pulses["cut"].tolist() == [False, True]
    assert pulses["complete"].to_numpy().all()
    assert len(pulses["codes"].iloc[1]) <= 2048


def test_stamps_are_exact_while_pulses_are_taken(watching):
    """Edges on all inputs, so that the converter freezes again and again, and lights and commits meanwhile."""
    board, link = watching
    boot_id = link.who()["boot_id"]
    edges = scene.spread(41, 3000, 50, 4000)
    wave = scene_of(fires(6), beam=False)["adc_wave"]
    commits = []
    board_id, zero = board.zero(link)
    assert board_id == boot_id
    before = link.state()  # totals since the boot: another test may have overrun the ring on purpose
    begin = board.control("scene", scene=edges.as_scene() | {"adc_wave": wave})["start_us"]
    played = Played(edges, begin, boot_id, zero)
    while board.control.now_us() < played.end_us + 50e3:
        commits.append(link.commit())
    state = link.state()
    recording = board.log(link)
    assert not len(recording.problems), recording.problems["what"].tolist()
    found = board.compare(recording, played)
    pulses = boot_rows(recording, "pulses", boot_id)
    figures.note(f"stamps while light pulses are taken, {len(commits)} commits", **found.row(), pulses=len(pulses))
    assert (len(found.lost), found.false) == (0, 0)
    assert np.ptp(found.error_ticks) <= 1.001
    assert all(state[count] == before[count] for count in ("ring_lost", "fifo_drops", "store_lost"))
    assert pulses["complete"].to_numpy().all()


def test_commits_due_wait_for_the_light(watching):
    """A record waits a second at most, so commits are due all the time; a light comes 3 ms after each beam break.

    A light that comes while a commit is under way already is dropped and counted, no other.
    """
    board, link = watching
    boot_id = link.who()["boot_id"]
    before = link.state()
    link.setting("commit_s", 1)
    try:
        play(board, scene_of(fires(24, gap_us=0.51e6)))
    finally:
        link.setting("commit_s", 10)
    after = link.state()
    kept = after["pulses"] - before["pulses"]
    lost = [b - a for a, b in zip(before["pulses_dropped"], after["pulses_dropped"], strict=True)]
    pulses = boot_rows(board.log(link), "pulses", boot_id).iloc[-kept:]
    figures.note("commits due while lights come", lights=24, kept=kept, dropped_in_a_commit=lost[0])
    assert kept + lost[0] == 24
    assert lost[1:] == [0] * 3  # used up, still reading, nothing seen: FORMAT.md, value 83
    assert kept >= 18  # a commit takes some 50 to 100 ms of each second
    assert pulses["complete"].to_numpy().all()
    heads = [int(np.log2(mask)) for mask in pulses["flash"]]
    assert fitted(pulses, heads)["codes"].to_numpy().max() <= 1
