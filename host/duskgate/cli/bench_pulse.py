"""`duskgate bench --pulse`: each head alone at each power, its light pulses measured, and kept in the site file."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from ..errors import BoardRefused, LinkError, NothingToAnswer, UsageError
from .say import ask_for, ask_yes, say, say_answer

MOST_KB = 1000  # of pulses that the board stores; a bench needs more of them than a night


def powers_of(ctx: click.Context, param: click.Parameter, value: str | None) -> list[float]:
    """Powers from a list with commas, each once."""
    from .plan import Power

    parts = [part.strip() for part in (value or "").split(",") if part.strip()]
    return list(dict.fromkeys(Power().convert(part, param, ctx) for part in parts))


def check_options(how: dict[str, Any], others: dict[str, bool]) -> None:
    """Refuse what does not go together. others: options that --pulse excludes, by name, and whether each was given."""
    if not how["pulse"]:
        lone = [name for name in ("powers", "only", "page") if how[name]]
        if lone:
            raise UsageError(f"--{lone[0]} goes with --pulse")
        return
    wrong = [name for name, given in others.items() if given]
    if wrong:
        raise UsageError(f"choose one of --pulse and {wrong[0]}")


def bench_pulse(how: dict[str, Any]) -> None:
    """The whole measurement; raises NothingToAnswer where no pulse of it was good."""
    from ..link.port import BoardLink, one_port
    from .bench_run import Run
    from .night import page_can_be_written

    page_can_be_written(how["page"], how["force"])
    asked = asked_of(how["site"], how["powers"], how["only"])
    if how["save"]:
        can_be_saved(how["site"], asked)
    with BoardLink(one_port(how["port"])) as link:
        run = Run(link, how["logbook"], how["site_path"], quiet=how["as_json"])
        run.begin()
        with room_for_pulses(link):
            if not how["yes"]:
                fires = len(asked) * len(how["gaps"]) * how["shots"]
                say_cautions()
                ask_yes(f"The heads will fire {fires} times. Nobody looks into them? Go", default=True, abort=True,
                        err=True)  # fmt: skip
            done = [one_step(run, name, power, how) for name, power in asked]
            rec = run.pull()
    show(run, rec, done, how)


def asked_of(site: Any, powers: list[float], only: tuple[str, ...]) -> list[tuple[str, float]]:
    """Head and power of each step: one head, all powers, then the next. Asks for powers that nothing states."""
    from .bench import head_names

    names = head_names(site)
    unknown = [name for name in only if name not in names]
    if unknown:
        raise UsageError(f"no head is called {unknown[0]!r}; known are {', '.join(names)}")
    names = [name for name in names if not only or name in only]
    stated = {head.name: head.power for head in getattr(site, "heads", ()) or ()}
    if not powers and any(stated.get(name) is None for name in names):
        powers = ask_powers()
    return [(name, power) for name in names for power in powers or [stated[name]]]


def ask_powers() -> list[float]:
    """Ask until something that can be set on a head was typed."""
    while True:
        said = ask_for("Powers to measure, with commas between them (such as 1,1/2,1/4)", err=True)
        try:
            found = powers_of(click.get_current_context(), None, said)  # type: ignore[arg-type]
        except click.BadParameter as error:
            say(f"duskgate: {error.message}", err=True)
            continue
        if found:
            return found


def can_be_saved(site: Any, asked: list[tuple[str, float]]) -> None:
    """Refuse before anything fires what the site file could not take."""
    known = [head.name for head in site.heads]
    lost = next((name for name, _ in asked if name not in known), None)
    if lost:
        raise UsageError(f"--save needs a block [[heads]] for {lost} in the site file: name the heads there first")


def say_cautions() -> None:
    """What must be known before the first shot."""
    from ..report.bench_pulse_said import CAUTIONS

    say(*(f"Caution  {one['about']}: {one['text']}" for one in CAUTIONS), err=True)


@contextlib.contextmanager
def room_for_pulses(link: Any) -> Iterator[None]:
    """Let the board store as many pulses as it can, and put its own limit back at the end."""
    kept = link.setting()
    if "pulse_kb" not in kept:
        raise UsageError("the firmware on this board keeps no light pulses: duskgate load renews it")
    before = kept["pulse_kb"]
    try:
        link.setting("pulse_kb", MOST_KB)
        yield
    finally:
        put_back(link, before)


def put_back(link: Any, pulse_kb: int) -> None:
    """The board's own limit of pulses a night again; where that fails, say it rather than hide what went wrong."""
    try:
        link.setting("pulse_kb", pulse_kb)
    except (LinkError, BoardRefused):
        say(f"duskgate: the board could not be told to keep {pulse_kb} kB of pulses a night again, so it keeps "
            f"{MOST_KB} kB", err=True)  # fmt: skip


def one_step(run: Any, name: str, power: float, how: dict[str, Any]) -> tuple[str, float, Any]:
    """Ask for head and power, fire, tell what came, and do it again where the user wants that."""
    from ..analysis.bench_pulse import step_facts
    from ..analysis.pulse import sensor_of
    from ..plan.power_table import fraction_words
    from ..report.bench_pulse_said import step_line
    from ..report.numbers import plain

    while True:
        ask_for(
            f"Switch on {name} alone, all others off. Set it to {fraction_words(power)}, photodiode in its light. "
            "Press Enter when it is ready",
            default="", show_default=False, err=True,
        )  # fmt: skip
        begun = run.begin_step()
        for gap in how["gaps"]:
            run.shots(how["shots"], gap)
        span = run.end_step(begun)
        rec = run.look(span)
        facts, _ = step_facts(rec, step_of(run, rec, (name, power, span), how), sensor_of(how["site"]))
        say(f"  {step_line(plain(facts))}", err=True)
        if facts["verdict"] == "good" or how["yes"] or not ask_again():
            return name, power, span


def ask_again() -> bool:
    """Whether a step that was not good is to be fired once more."""
    return ask_yes("  Repeat this step once that is changed", default=True, err=True)


def step_of(run: Any, rec: Any, done: tuple[str, float, Any], how: dict[str, Any]) -> Any:
    """A step at its place in this recording."""
    from ..analysis.bench_pulse import Step

    name, power, span = done
    return Step(name, power, tuple(how["gaps"]), how["shots"] * len(how["gaps"]), *run.span_of(rec, span))


def show(run: Any, rec: Any, done: list[tuple[str, float, Any]], how: dict[str, Any]) -> None:
    """Print, save and write what was measured; what was not good enough is told after that."""
    from ..analysis.bench_pulse import bench_facts
    from ..analysis.pulse import sensor_of
    from ..report import bench_pulse_said as said
    from ..report.numbers import plain

    steps = [step_of(run, rec, one, how) for one in done]
    found = plain(bench_facts(rec, steps, sensor_of(how["site"])))
    facts = said.worded(found | {"log": str(run.path), "site": site_name(how["site"])})
    rows = said.rows_to_save(facts)
    if how["save"] and rows:
        facts["site_file"] = save(how["site_path"], rows)
    lines = said.lines(facts)
    if how["page"]:
        lines.append(write(how["page"], facts, how["force"]))
    say_answer(facts, lines, how["as_json"])
    if not facts["n_good"]:
        raise NothingToAnswer(said.why_nothing(facts))
    if how["save"] and not rows:
        raise NothingToAnswer("not one step gave good pulses enough, so nothing was saved: change what is said above")


def site_name(site: Any) -> str:
    """The site's name for the page; nothing where no site file is used."""
    return site.name if site is not None else ""


def save(path: Path, rows: list[dict[str, Any]]) -> str:
    """Write the measured rows into the site file; return what was done."""
    from ..sitesteps import save_steps

    count = f"{len(rows)} row{'s' if len(rows) > 1 else ''} of [[power_steps]]"
    return f"{path}: {count}" if save_steps(path, rows) else f"{path}: nothing to write, it holds these {count}"


def write(page: Path, facts: dict[str, Any], force: bool) -> str:
    """Write the page; return the line on it."""
    from ..report.page import bench_pulse_page
    from .night import write_page

    return write_page(page, bench_pulse_page(facts), force)
