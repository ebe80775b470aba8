"""Captures of other instruments: CSV and VCD, good ones exactly, bad ones with the place of the mistake."""

import io
from contextlib import redirect_stdout
from itertools import pairwise

import numpy as np
import pytest
from duskgate.errors import DuskgateError
from duskgate.fields import RECORDING
from duskgate.logfile.captures import SIGNALS, read_edges_csv
from duskgate.logfile.vcd import read_vcd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd import VCDWriter

ANY_FOLDER = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def rows(frame, *columns):
    return list(frame[list(columns)].itertuples(index=False, name=None))


def write(folder, edges, readings=None):
    path = folder / "edges.csv"
    path.write_text("boot,t_us,channel,level\n" + edges)
    if readings is not None:
        (folder / "readings.csv").write_text("boot,t_us,kind,value\n" + readings)
    return path


def test_edges_and_readings(tmp_path):
    path = write(
        tmp_path,
        "3,10,BEAM,1\n3,10.5,FLASH1,1\n3,4000000.125,BEAM,0\n5,7,BEAM2,1\n",
        "3,0,boot_cause,1\n3,0,levels,4\n3,60000000,battery_mv,3950\n5,1,boot_cause,2\n5,2.25,rtc_unix_ms,1781000000123\n",
    )
    rec = read_edges_csv(path)
    assert rows(rec.edges, "boot", "t_ns", "channel", "level") == [
        (0, 10_000, 0, 1), (0, 10_500, 3, 1), (0, 4_000_000_125, 0, 0), (1, 7000, 1, 1),
    ]  # fmt: skip
    assert rows(rec.boots, "boot_no", "cause", "first_ns", "last_ns", "levels") == [
        (3, "power-on", 0, 60_000_000_000, 4), (5, "watchdog", 1000, 7000, -1),
    ]  # fmt: skip
    assert rows(rec.readings, "t_ns", "kind", "value")[-1] == (2250, "rtc_unix_ms", 1_781_000_000_123)
    for name, columns in RECORDING.items():
        assert {c: str(t) for c, t in getattr(rec, name).dtypes.items()} == columns, name


def test_losses_are_running_totals_over_boots(tmp_path):
    readings = "".join(
        f"{b},{t},{kind},{value}\n"
        for b, t, kind, value in [
            (0, 10, "lost_edges", 4), (0, 20, "lost_edges", 4), (0, 30, "lost_edges", 6), (1, 15, "lost_edges", 6),
        ]
    )  # fmt: skip
    rec = read_edges_csv(write(tmp_path, "0,1,BEAM,1\n", readings))
    assert rows(rec.blind, "boot", "from_ns", "to_ns", "why") == [(0, 20_000, 30_000, "stamper overrun")]


@pytest.mark.parametrize(
    "text, where",
    [
        ("0,1,BEAM,1\n0,2,BAEM,0\n", "line 3, column channel: is 'BAEM'"),
        ("0,1,BEAM,1\n\n0,x,BEAM,0\n", "line 4, column t_us: is 'x'"),
        ("0,1,BEAM,2\n", "line 2, column level: is 2"),
        ("0,1,BEAM,0.5\n", "line 2, column level"),
        ("0,-1,BEAM,1\n", "line 2, column t_us"),
        ("0,inf,BEAM,1\n", "line 2, column t_us"),
        ("0,5,BEAM,1\n0,4,BEAM,0\n", "line 3, column t_us: goes back"),
        ("1,5,BEAM,1\n0,6,BEAM,0\n", "line 3, column boot: goes back"),
        ("0,5,,1\n", "line 2, column channel: is empty"),
        ("0,5,BEAM\n", "line 2, column level: is empty"),
        ("0,5,BEAM,1,9\n0,6,BEAM,0,9,9\n", "line"),
        ("0,5,SECOND,1\n", "line 2, column channel"),
        ("0.5,5,BEAM,1\n", "line 2, column boot"),
    ],
)
def test_mistakes_name_their_line_and_column(tmp_path, text, where):
    path = write(tmp_path, text)
    with pytest.raises(DuskgateError) as caught:
        read_edges_csv(path)
    assert where in str(caught.value) and str(path) in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize("head", ["boot,t_us,channel\n", "boot;t_us;channel;level\n", "", "boot, t_us,channel,level\n"])
def test_wrong_header_is_shown_with_the_right_one(tmp_path, head):
    path = tmp_path / "edges.csv"
    path.write_text(head + "0,1,BEAM,1\n")
    with pytest.raises(DuskgateError, match="boot,t_us,channel,level"):
        read_edges_csv(path)


def test_faulty_readings_name_the_readings_file(tmp_path):
    path = write(tmp_path, "0,1,BEAM,1\n", "0,1,humidity,3\n")
    with pytest.raises(DuskgateError, match=r"readings\.csv, line 2, column kind"):
        read_edges_csv(path)


def test_missing_file_and_folder_are_plain_errors(tmp_path):
    for path in (tmp_path, tmp_path / "none.csv"):
        for reader in (read_edges_csv, read_vcd):
            with pytest.raises(DuskgateError):
                reader(path)


@ANY_FOLDER
@given(st.binary(max_size=200))
def test_any_bytes_give_a_table_or_a_plain_error(tmp_path, data):
    csv, dump = tmp_path / "edges.csv", tmp_path / "a.vcd"
    head = b"$timescale 1 us $end $var wire 1 ! BEAM $end $enddefinitions $end\n"
    csv.write_bytes(b"boot,t_us,channel,level\n" + data)
    dump.write_bytes(head + data)
    for reader, path in ((read_edges_csv, csv), (read_vcd, dump)):
        try:
            reader(path)
        except DuskgateError as error:
            assert "\n" not in str(error)


@ANY_FOLDER
@given(st.lists(st.tuples(st.integers(0, 10**9), st.sampled_from(range(7))), max_size=40))
def test_csv_brings_back_exactly_what_was_written(tmp_path, steps):
    t, level, lines, expected = 0, [0] * 7, [], []
    for gap, channel in steps:
        t += gap
        level[channel] ^= 1
        lines.append(f"0,{t // 1000}.{t % 1000:03d},{SIGNALS[channel]},{level[channel]}\n")
        expected.append((t, channel, level[channel]))
    rec = read_edges_csv(write(tmp_path, "".join(lines)))
    assert rows(rec.edges, "t_ns", "channel", "level") == expected


VCD_HEAD = "$timescale {scale} $end\n$scope module top $end\n{vars}$upscope $end\n$enddefinitions $end\n"


def vcd(folder, body, scale="1 us", variables=(("!", "BEAM"), ("#", "FLASH1"))):
    path = folder / "a.vcd"
    lines = "".join(f"$var wire 1 {code} {name} $end\n" for code, name in variables)
    path.write_text(VCD_HEAD.format(scale=scale, vars=lines) + body)
    return path


def test_vcd_first_values_are_levels_and_changes_are_edges(tmp_path):
    rec = read_vcd(vcd(tmp_path, "#5\n$dumpvars\n0!\n1#\n$end\n#10 1!\n#12\n0!\n0#\n#20\n"))
    assert rows(rec.edges, "t_ns", "channel", "level") == [(10_000, 0, 1), (12_000, 0, 0), (12_000, 3, 0)]
    assert rows(rec.readings, "t_ns", "kind", "value") == [(5000, "levels", 8)]
    assert rows(rec.boots, "first_ns", "last_ns", "levels") == [(5000, 20_000, 8)]


def test_vcd_unknown_levels_are_blind_not_edges(tmp_path):
    rec = read_vcd(vcd(tmp_path, "#0 0! 0# #10 x! #20 1! #30 z# #40\n"))
    assert len(rec.edges) == 0
    assert rows(rec.blind, "from_ns", "to_ns", "why") == [
        (10_000, 20_000, "level unknown"),
        (30_000, 40_000, "level unknown"),
    ]
    assert rows(rec.reading("levels"), "t_ns", "value") == [(0, 0), (20_000, 1)]


def test_vcd_active_low_wires(tmp_path):
    rec = read_vcd(vcd(tmp_path, "#0 1! 1# #10 0!\n"), low_mask=0x7F)
    assert rows(rec.edges, "channel", "level") == [(0, 1)] and rec.boots["levels"].tolist() == [0]


@pytest.mark.parametrize(
    "scale, t, ns",
    [(f"{n} {unit}", 3, 3 * n * fs // 10**6) for n in (1, 10, 100)
     for unit, fs in (("s", 10**15), ("ms", 10**12), ("us", 10**9), ("ns", 10**6))]
    + [("1 ps", 1500, 2), ("10ps", 1234, 12), ("100 fs", 10_000_000, 1000), ("1 fs", 123_000_000, 123)],
)  # fmt: skip
def test_vcd_timescales(tmp_path, scale, t, ns):
    rec = read_vcd(vcd(tmp_path, f"#0 0! #{t} 1!\n", scale))
    assert rec.edges["t_ns"].tolist() == [ns]


def test_vcd_vectors_comments_and_codes_that_look_like_values(tmp_path):
    variables = [("#", "BEAM"), ("b1", "FLASH1"), ("0", "SYNC"), ("$", "HEATER")]
    body = "#0 0# 0b1 00 b0101 # r1.5 0\n$comment #99 1# $end\n#7 1# b11 b1 1b1 #9 10 1$\n"
    rec = read_vcd(vcd(tmp_path, body, variables=variables))
    assert rows(rec.edges, "t_ns", "channel", "level") == [(7000, 0, 1), (7000, 3, 1), (9000, 2, 1)]


@pytest.mark.parametrize(
    "body, scale, where",
    [
        ("#0 0!\n#5 1!\n#4 0!\n", "1 us", "goes back at #4"),
        ("#0 0!\n#5 q!\n", "1 us", "line 8: 'q!'"),
        ("#0 0!\n#x 1!\n", "1 us", "line 8: '#x'"),
        ("#0 $dumpports\n", "1 us", "dumpports"),
        ("#0 0!\n", "5 us", "timescale '5 us'"),
        ("#9999999999999999999 0!\n", "1 us", "18 digits"),
        ("#99999999999999999 0!\n", "100 s", "52 days"),
        ("#9999999999999999 0!\n", "1 ns", "52 days"),
        ("#\n", "1 us", "line"),
    ],
)
def test_vcd_mistakes_name_their_place(tmp_path, body, scale, where):
    with pytest.raises(DuskgateError) as caught:
        read_vcd(vcd(tmp_path, body, scale))
    assert where in str(caught.value)


def test_vcd_without_our_channels_names_what_it_found(tmp_path):
    with pytest.raises(DuskgateError, match="found: CLK, DATA"):
        read_vcd(vcd(tmp_path, "#0\n", variables=[("!", "CLK"), ("#", "DATA")]))
    path = tmp_path / "b.vcd"
    path.write_text("$timescale 1 us $end\n$var wire 4 ! BEAM [3:0] $end\n$enddefinitions $end\n")
    with pytest.raises(DuskgateError, match="line 2: BEAM is 4 bits wide"):
        read_vcd(path)


@ANY_FOLDER
@given(
    st.lists(st.tuples(st.integers(1, 10**6), st.integers(0, 6), st.sampled_from([0, 1, "x", "z"])), max_size=40),
    st.sampled_from(["1 us", "100 ns", "1 ms"]),
)
def test_vcd_written_by_an_independent_writer(tmp_path, steps, scale):
    """Writer: pyvcd. Second reader: vcdvcd, whose list of changes must agree as well."""
    path = tmp_path / "w.vcd"
    unit = {"1 us": 1000, "100 ns": 100, "1 ms": 10**6}[scale]
    t, state, expected = 0, [0] * 7, []
    with path.open("w") as file, VCDWriter(file, timescale=scale, date="today") as writer:
        names = [writer.register_var("rig", name, "wire", size=1, init=0) for name in SIGNALS]
        for gap, channel, value in steps:
            t += gap
            writer.change(names[channel], t, value)
            if value in (0, 1) and state[channel] in (0, 1) and value != state[channel]:
                expected.append((t * unit, channel, value))
            state[channel] = value
    rec = read_vcd(path)
    assert rows(rec.edges, "t_ns", "channel", "level") == expected
    assert _by_vcdvcd(path, unit) == sorted(expected)


def _by_vcdvcd(path, unit):
    from vcdvcd import VCDVCD

    with redirect_stdout(io.StringIO()):
        dump = VCDVCD(str(path))
    out = []
    for channel, name in enumerate(SIGNALS):
        changes = dump[f"rig.{name}"].tv
        for (_, before), (t, after) in pairwise(changes):
            if before in "01" and after in "01" and before != after:
                out.append((t * unit, channel, int(after)))
    return sorted(out)


def test_large_capture_is_read_in_bulk(tmp_path):
    n = 100_000
    t = np.arange(n) * 1500
    path = tmp_path / "edges.csv"
    lines = (f"0,{x / 1000:.3f},BEAM,{i % 2}\n" for i, x in enumerate(t))
    path.write_text("boot,t_us,channel,level\n" + "".join(lines))
    assert read_edges_csv(path).edges["t_ns"].tolist() == t.tolist()
