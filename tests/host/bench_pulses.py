"""Recordings of light pulses for the bench: computed exponential decays with noise, not measured ones."""

import numpy as np
from duskgate.analysis.bench_pulse import Step, bench_facts
from duskgate.fields import FLASH1
from duskgate.logfile.recording import table
from duskgate.report import bench_pulse_said as said
from duskgate.report.numbers import plain

from tests.host.made_recording import made

STEP_US, BEFORE = 2.0, 64


def codes(peak: float, tau_us: float, seed: int, clip: float = 4095) -> np.ndarray:
    """An exponential pulse with noise and a free phase, as the converter would tell it."""
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0, STEP_US)
    t = (np.arange(BEFORE + int(7 * tau_us / STEP_US)) - BEFORE) * STEP_US + phase
    light = np.where(t < 0, 0.0, peak * np.exp(-np.maximum(t, 0) / tau_us))
    return np.clip(np.round(100 + light + rng.normal(0, 1, len(t))), 0, clip).astype(np.uint16)


def recording(pulses):
    """pulses: (second, channel of the sensor, peak, tau_us); peak 0: header without samples; None: no pulse at all."""
    rows, edges = [], []
    for k, (at_s, channel, peak, tau) in enumerate(pulses):
        t = int(at_s * 1e9)
        edges += [(0, t, channel, 1), (0, t + 200_000, channel, 0)]
        if peak is not None:
            c = codes(peak, tau, k) if peak else np.zeros(0, np.uint16)
            rows.append((t, 1 << (channel - FLASH1), k, int(c.max()) if len(c) else 9, c))
    rec = made([(1, 0, 10**13, 0)], edges)
    n = len(rows)
    rec.pulses = table(
        "pulses", boot=np.zeros(n), t_ns=[r[0] for r in rows], number=[r[2] for r in rows],
        flash=[r[1] for r in rows], start_ns=np.full(n, -BEFORE * 2000), step_ns=np.full(n, 2000),
        peak=[r[3] for r in rows], cut=np.zeros(n, bool), complete=np.ones(n, bool), codes=[r[4] for r in rows],
    )  # fmt: skip
    return rec


def step(head="left", power=1 / 16, gaps=(3.0,), shots=8, from_s=0.0, to_s=1000.0) -> Step:
    return Step(head, power, gaps, shots, 0, int(from_s * 1e9), int(to_s * 1e9))


def series(begin_s: float, n: int, gap_s: float, peak=1500.0, tau=100.0, channel=FLASH1):
    return [(begin_s + gap_s * k, channel, peak, tau) for k in range(n)]


def charged(gap_s: float, ready_s: float) -> float:
    """Share of the energy of a capacitor charged through a resistor; 90 % at ready_s: (1 - exp(-gap / tau))^2."""
    return (1 - np.exp(gap_s / ready_s * np.log(1 - np.sqrt(0.9)))) ** 2


def charging_facts(heads) -> dict:
    """Facts of a bench at four gaps; heads: (name, tau_us)."""
    gaps, pulses, steps = (0.5, 1.0, 2.0, 4.0), [], []
    for k, (name, tau_us) in enumerate(heads):
        at = 1000.0 * k
        for gap in np.repeat(gaps, 6):
            at += gap
            pulses.append((at, FLASH1, 2000 * charged(gap, 1.5), tau_us))
        steps.append(step(name, gaps=gaps, shots=24, from_s=1000 * k, to_s=1000 * k + 99))
    return said.worded(plain(bench_facts(recording(pulses), steps)) | {"log": "x.dgl", "site": "a garden"})
