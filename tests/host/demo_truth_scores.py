"""Scores an analysed night against the truth of its scene: visits, kinds, fires, delay, recycle time, clock."""

from dataclasses import dataclass

import numpy as np
from duskgate.analysis.night import Night, analyse
from duskgate.analysis.settings import Settings
from duskgate.timebase.clock import fit_clock

from tests.host.scene_recording import boots_of, recording_of

NEAR_US = 300_000  # clock error allowed when rows are matched by UTC; breaks are matched in board time, not by this


@dataclass
class Scored:
    """A scene, its analysis, and the break rows of both laid beside each other (truth row -> analysed row, -1 none)."""

    scene: object
    night: Night
    clock: object
    rec: object
    of_truth: np.ndarray

    @property
    def truth(self) -> dict:
        return self.scene.truth

    @property
    def estimates(self) -> dict:
        return self.night.estimates


def settings_for(scene) -> Settings:
    """What the site file of that rig would say."""
    heads = tuple((f"FLASH{k + 1}", (k,)) for k in range(len(scene.plan.heads)))
    second = scene.plan.second_beam
    return Settings(
        path="beam_camera" if scene.plan.camera else "beam_flash", heads=heads,
        beam_spacing_mm=second.spacing_mm if second else None,
    )  # fmt: skip


def score(scene) -> Scored:
    rec = recording_of(scene)
    clock = fit_clock(rec)
    night = analyse(rec, clock, settings_for(scene))
    return Scored(scene, night, clock, rec, match_breaks(scene, night))


def match_breaks(scene, night) -> np.ndarray:
    """Row of the analysed breaks that begins where each true break of the first beam does, within 0.2 ms."""
    starts = np.array([b[0] for b in boots_of(scene)])
    told = scene.truth["breaks"]
    first = np.array(told["beam"]) == "BEAM"
    want = np.array(told["start_ns"])[first]
    got = night.tables["breaks"]
    mine = np.flatnonzero(got["beam"].astype(str) == "BEAM")
    at = starts[got["boot"].to_numpy()[mine]] + 1e3 * got["t_us"].to_numpy()[mine]
    order = np.argsort(at)
    at, mine = at[order], mine[order]
    k = np.clip(np.searchsorted(at, want), 1, max(len(at) - 1, 1))
    k = np.where(np.abs(at[k - 1] - want) <= np.abs(at[np.minimum(k, len(at) - 1)] - want), k - 1, k)
    near = np.abs(at[np.minimum(k, len(at) - 1)] - want) < 200_000
    return np.where(near, mine[np.minimum(k, len(at) - 1)], -1)


def visit_f1(s: Scored) -> float:
    """F1 of visits: a true and a found visit match when their break sets overlap by more than half (Jaccard)."""
    true = np.array(s.truth["breaks"]["visit_id"])[: len(s.of_truth)]
    found = np.full(len(s.of_truth), -1)
    seen = s.of_truth >= 0
    found[seen] = s.night.tables["breaks"]["visit_id"].to_numpy()[s.of_truth[seen]]
    kinds = np.array(s.truth["breaks"]["kind"])[: len(s.of_truth)]
    both = seen & (true >= 0)
    pairs, n_both = np.unique(np.column_stack([true[both], found[both]]), axis=0, return_counts=True)
    size_true = np.bincount(true[both])
    extra = seen & (found >= 0) & ((true >= 0) | (kinds != "visit"))
    size_found = np.bincount(found[extra]) if extra.any() else np.zeros(0, int)
    real = pairs[:, 1] >= 0
    pairs, n_both = pairs[real], n_both[real]
    hits = int((n_both / (size_true[pairs[:, 0]] + size_found[pairs[:, 1]] - n_both) > 0.5).sum())
    n_true, n_found = len(np.unique(true[both])), len(s.night.tables["visits"])
    return 2 * hits / (n_true + n_found) if n_true + n_found else 1.0


def kinds_of(s: Scored) -> tuple[np.ndarray, np.ndarray]:
    """True and found kind of every break of the first beam that the analysis has."""
    seen = s.of_truth >= 0
    true = np.array(s.truth["breaks"]["kind"])[: len(s.of_truth)][seen]
    return true, s.night.tables["breaks"]["kind"].astype(str).to_numpy()[s.of_truth[seen]]


def visits_that_broke_the_beam(s: Scored) -> int:
    return int((np.array(s.truth["visits"]["n_seen"]) > 0).sum())


def holds(estimate: dict, value: float) -> bool:
    return estimate["lo"] <= value <= estimate["hi"]


def recycle_checks(s: Scored) -> list[tuple[str, dict, float]]:
    """(name, estimate, truth) of every recycle time that the night's analysis states."""
    out = []
    for head in s.truth["heads"]:
        told = s.estimates["recycle"].get(head["channel"], {})
        for name, true in (("r50_start_s", head["r50_start_s"]), ("r50_end_s", head["r50_end_s"])):
            if told.get(name, {}).get("value") is not None and told[name].get("lo") is not None:
                out.append((f"{head['channel']} {name}", told[name], true))
    return out


def delay_checks(s: Scored) -> list[tuple[str, dict, float]]:
    """(name, estimate, truth) of every head's median delay; the truth is the median of the delays that were drawn."""
    fires = s.truth["fires"]
    answered = np.array(fires["break_id"]) >= 0
    out = []
    for heads in (path["heads"] for path in s.estimates["latency"].values()):
        for name, told in heads.items():
            drawn = np.array(fires[f"latency{name[-1]}_us"], dtype=float)[answered]
            if told["median"].get("value") is not None and np.isfinite(drawn).any():
                out.append((name, told["median"], float(np.nanmedian(drawn))))
    return out
