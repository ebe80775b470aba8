"""Whatever a recording holds, the analysis answers: no exception, no warning, tables that agree with each other."""

import warnings

import numpy as np
from duskgate import fields
from duskgate.analysis.night import analyse
from duskgate.analysis.settings import Settings
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.host.analysis_recordings import ExactClock, recording

CHANNELS = fields.CHANNELS[:7]
READ = ["shot", "battery_mv", "temp_c100", "lost_edges"]
MOMENTS = st.one_of(st.floats(0, 600), st.floats(0, 2), st.floats(300, 300.01))
EDGES = st.tuples(MOMENTS, st.sampled_from(CHANNELS), st.integers(0, 1))


@st.composite
def recordings(draw):
    """Edges of any channel at any time with any level; lost edges, losses, statements, notes and shots among them."""
    n_boots = draw(st.integers(1, 3))
    boots = []
    for _ in range(n_boots):
        edges: dict = {}
        for t, channel, level in draw(st.lists(EDGES, max_size=60)):
            edges.setdefault(channel, []).append((t, level))
        boots.append({c: sorted(e) for c, e in edges.items()})
    moment = st.tuples(st.integers(0, n_boots - 1), st.floats(0, 600))
    said = draw(st.lists(st.tuples(moment, st.integers(0, 127)), max_size=4))
    other = draw(st.lists(st.tuples(moment, st.sampled_from(READ)), max_size=6))
    blind = draw(st.lists(st.tuples(moment, st.floats(0.001, 60)), max_size=3))
    notes = draw(
        st.lists(st.tuples(moment, st.sampled_from(["cells", "refilled", "text"]), st.integers(0, 4)), max_size=4)
    )
    return recording(
        *boots,
        length_s=600.0,
        channels=tuple({"BEAM", *draw(st.sets(st.sampled_from(CHANNELS)))}),
        levels=draw(st.lists(st.integers(-1, 127), min_size=n_boots, max_size=n_boots)),
        readings=sorted([(b, t, "levels", v) for (b, t), v in said] + [(b, t, k, 3000) for (b, t), k in other]),
        notes=sorted((b, t, what, head) for (b, t), what, head in notes),
        blind=sorted((b, t, min(t + d, 600.0), "stamper overrun") for (b, t), d in blind),
    )


@settings(max_examples=80, deadline=None)
@given(recordings(), st.sampled_from(["beam_flash", "beam_camera"]), st.booleans())
def test_any_recording_gives_tables_that_agree(rec, path, unknown):
    n = len(rec.boots)
    clock = ExactClock([None if unknown and k == 1 else 700.0 * k for k in range(n)])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("default", ResourceWarning)  # what an earlier test left open
        night = analyse(rec, clock, Settings(path=path))
    t, e = night.tables, night.estimates
    for name, shape in fields.TABLES.items():
        assert {c: str(d) for c, d in t[name].dtypes.items()} == shape, name
    breaks, fires, visits = t["breaks"], t["fires"], t["visits"]
    assert breaks["break_id"].tolist() == list(range(len(breaks))) and (breaks["dur_us"].to_numpy() >= 0).all()
    assert set(visits["visit_id"]) == set(breaks["visit_id"][breaks["beam"] == "BEAM"]) - {-1}
    assert e["visits"]["n"] == len(visits) == sum(visits["n_breaks"] > 0)
    # every answered break knows its fire and the fire knows its break
    back = dict(zip(fires["fire_id"], fires["break_id"], strict=True))
    own = breaks[breaks["fire_id"] >= 0]
    assert [back[f] for f in own["fire_id"]] == own["break_id"].tolist()
    assert set(t["misses"]["break_id"]) <= set(breaks["break_id"][breaks["kind"] == "visit"])
    spent = [e["exposure"][k] for k in ("live_s", "off_s", "blind_s", "blocked_s", "shadow_s")]
    assert min(spent) > -1e-6 and np.isclose(sum(spent), e["exposure"]["session_s"], atol=1e-3)
