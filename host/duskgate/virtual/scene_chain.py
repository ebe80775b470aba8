"""From broken beam to light: trigger unit, radio, camera and heads of an invented night, command by command.

A head answers a command with the chance (1 - lapse) Phi(ln(g / R) / sigma), g being the time since its own last
light and R its recycle time, which grows with the light it has given. One uniform draw per head and command decides,
so that "fresh cells would have fired at that gap" is answered by the same draw.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from .. import fields
from .scene_plan import Head, NightPlan

NEVER = 1e9  # seconds since the last light of a head that has rested since long before dusk
ARRIVED, NO_COMMAND, LOST, BUSY = "arrived", "no command", "lost", "busy"


def phi(z: float) -> float:
    """Normal distribution function."""
    return 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))


def recycle_s(head: Head, n_fires) -> np.ndarray:
    """Recycle time (50 % point, seconds) after that head's n lights."""
    return head.recycle_s * (1.0 + head.sag * (np.asarray(n_fires) / 1000.0) ** head.sag_power)


@dataclass
class Command:
    """One attempt to fire, and what became of it. Times in true seconds; light is NaN where a head stayed dark."""

    start_s: float
    break_id: int  # -1: not from the beam
    fate: str
    light_s: list[float]
    charged: int = 0  # bit per head
    fresh: int = 0  # bit per head: would have been charged on fresh cells
    gap_s: float = math.nan  # shortest time since a head's last light
    sync_s: float = math.nan
    retried: bool = False

    @property
    def fired(self) -> int:
        """Whether any head lit."""
        return sum(1 << k for k, t in enumerate(self.light_s) if not math.isnan(t))


@dataclass
class Chain:
    """State that the night carries along: when each head last gave light, how often it has, when the camera is free."""

    plan: NightPlan
    rng: np.random.Generator
    last_s: list[float] = field(default_factory=list)
    fires: list[int] = field(default_factory=list)
    unit_free_s: float = -1.0
    camera_free_s: float = -1.0

    def __post_init__(self) -> None:
        self.last_s = [-NEVER] * len(self.plan.heads)
        self.fires = [0] * len(self.plan.heads)

    def dark(self, start_s: float, break_id: int, fate: str) -> Command:
        """A command that no head answers, with why."""
        return Command(start_s, break_id, fate, [math.nan] * len(self.plan.heads))

    def from_beam(self, start_s: float, length_s: float, break_id: int) -> Command:
        """The trigger unit saw the beam break (or was not to see it)."""
        radio = self.plan.radio
        if length_s < radio.filter_us / 1e6 or start_s < self.unit_free_s:
            return self.dark(start_s, break_id, NO_COMMAND)
        self.unit_free_s = start_s + radio.holdoff_ms / 1e3
        at = start_s + radio.filter_us / 1e6
        camera = self.plan.camera
        if camera is None:
            return self.send(start_s, at, break_id)
        if at < self.camera_free_s:
            return self.dark(start_s, break_id, BUSY)
        sync = at + (camera.release_ms + camera.release_jitter_ms * abs(self.rng.standard_normal())) / 1e3
        self.camera_free_s = sync + camera.frame_s
        command = self.send(start_s, sync, break_id)
        command.sync_s = sync
        return command

    def send(self, start_s: float, at: float, break_id: int) -> Command:
        """A radio command: lost, sent twice, or plainly received."""
        radio, rng = self.plan.radio, self.rng
        if break_id >= 0 and rng.random() < radio.miss:
            command = self.dark(start_s, break_id, LOST)
            self.judge(command, at, rng.random(len(self.plan.heads)))
            return command
        delay = radio.delay_us + radio.jitter_us * rng.standard_normal() + rng.exponential(radio.tail_us)
        retried = rng.random() < radio.retry
        if retried:
            delay += rng.uniform(*radio.retry_us)
        command = self.dark(start_s, break_id, ARRIVED)
        command.retried = bool(retried)
        self.heads_answer(command, at + delay / 1e6)
        return command

    def judge(self, command: Command, at: float, draw: np.ndarray) -> None:
        """Which heads are charged at `at`, and which would be on fresh cells, by the same draws."""
        # a stranger's command may fall between a break and the light that the camera gives it: no charge then
        gaps = [max(at - last, 1e-6) for last in self.last_s]
        command.gap_s = min(gaps)
        for k, (head, gap) in enumerate(zip(self.plan.heads, gaps, strict=True)):
            now = float(recycle_s(head, self.fires[k]))
            command.charged |= int(draw[k] < phi(math.log(gap / now) / head.sigma)) << k
            command.fresh |= int(draw[k] < phi(math.log(gap / head.recycle_s) / head.sigma)) << k

    def heads_answer(self, command: Command, at: float) -> None:
        """Let each head answer a command if it is charged, and keep what it did."""
        rng, heads = self.rng, self.plan.heads
        self.judge(command, at, rng.random(len(heads)))
        lapse = rng.random(len(heads))
        noise = rng.standard_normal(len(heads))
        for k, head in enumerate(heads):
            if command.charged >> k & 1 and lapse[k] >= head.lapse:
                command.light_s[k] = at + (head.skew_us + head.jitter_us * noise[k]) / 1e6
                self.last_s[k] = command.light_s[k]
                self.fires[k] += 1


def cause(command: Command, n_heads: int) -> str:
    """Why heads stayed dark, in the words of the tables; "" where all fired."""
    dark = ((1 << n_heads) - 1) & ~command.fired
    if not dark:
        return ""
    if command.fate in (NO_COMMAND, BUSY):
        return "unknown" if command.fate == NO_COMMAND else "camera"
    if command.fate == LOST:
        return "radio"
    empty = dark & ~command.charged
    if not empty:
        return "radio"  # charged, and yet its own receiver did not pass the command on
    would = bin(empty & command.fresh).count("1")
    return "battery" if 2 * would > bin(empty).count("1") else "recycling"


def outcome(command: Command, n_heads: int) -> str:
    """none, partial or all: what the heads did at a command."""
    lit = bin(command.fired).count("1")
    return "all" if lit == n_heads else "partial" if lit else "none"


def strangers(plan: NightPlan, rng: np.random.Generator) -> np.ndarray:
    """Times at which somebody else's transmitter fires these heads, in seconds."""
    n = rng.poisson(plan.radio.strangers)
    return np.sort(rng.uniform(60.0, plan.hours * 3600.0 - 60.0, n))


def torches(plan: NightPlan, rng: np.random.Generator) -> np.ndarray:
    """(n, 3) channel, start, end of light that no head of ours gave: all sensors see it within some microseconds."""
    n = rng.poisson(plan.radio.torches)
    start = rng.uniform(60.0, plan.hours * 3600.0 - 60.0, n)
    rows = [
        (fields.FLASH1 + k, s + skew, s + skew + rng.uniform(150e-6, 900e-6))
        for s in start for k, skew in enumerate(rng.uniform(0.0, 6e-6, len(plan.heads)))
    ]
    return np.array(rows, dtype=float).reshape(-1, 3)


def walk(
    plan: NightPlan, breaks: np.ndarray, foreign: np.ndarray, rng: np.random.Generator
) -> tuple[list[Command], Chain]:
    """Commands of the night in time order, one per break of the first beam and one per stranger's command."""
    chain = Chain(plan, rng)
    when = np.concatenate([breaks["start"], foreign])
    which = np.concatenate([np.arange(len(breaks)), np.full(len(foreign), -1)])
    length = breaks["end"] - breaks["start"]
    commands = []
    for n in np.argsort(when, kind="stable"):
        start_s, break_id = float(when[n]), int(which[n])
        if break_id < 0:
            commands.append(chain.send(start_s, start_s, -1))
        else:
            commands.append(chain.from_beam(start_s, float(length[break_id]), break_id))
    return commands, chain


def light(plan: NightPlan, commands: list[Command], rng: np.random.Generator) -> np.ndarray:
    """(n, 3) channel, start, end of every pulse that a head's sensor sees, in seconds."""
    rows = []
    for command in commands:
        for k, at in enumerate(command.light_s):
            if not math.isnan(at):
                pulse = plan.heads[k].pulse_us * (1.0 + 0.01 * rng.standard_normal())
                rows.append((fields.FLASH1 + k, at, at + pulse / 1e6))
    return np.array(rows, dtype=float).reshape(-1, 3)


def contacts(plan: NightPlan, commands: list[Command]) -> np.ndarray:
    """(n, 3) channel, start, end of the camera's contact."""
    if plan.camera is None:
        return np.zeros((0, 3))
    at = np.array([c.sync_s for c in commands if not math.isnan(c.sync_s)])
    return np.column_stack([np.full(len(at), fields.SYNC), at, at + plan.camera.contact_ms / 1e3])
