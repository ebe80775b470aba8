"""`duskgate bench`: fire the rig and measure it."""

from pathlib import Path
from typing import Any

import click

from ..errors import UsageError
from .bench_pulse import bench_pulse, check_options, powers_of
from .board_options import example, json_option, port_option
from .history import site_option
from .say import ask_for, ask_yes, say_answer

SHOTS_MOST = 500
GAP_S = (0.1, 600.0)


def gaps_of(ctx: click.Context, param: click.Parameter, value: str) -> list[float]:
    """Gaps in seconds from a list with commas."""
    try:
        gaps = [float(part) for part in value.split(",")]
    except ValueError:
        raise click.BadParameter("write seconds, with commas between them: 0.3,0.5,1,2") from None
    if not all(GAP_S[0] <= gap <= GAP_S[1] for gap in gaps):
        raise click.BadParameter(f"each gap lies from {GAP_S[0]:g} to {GAP_S[1]:g} s")
    return gaps


@example("duskgate bench --shots 8 --gap 0.3 --yes")
@click.command("bench")
@click.option("--shots", type=click.IntRange(1, SHOTS_MOST), default=20, show_default=True, help="Fires at each gap.")
@click.option(
    "--gap", "gaps", callback=gaps_of, default="3", show_default=True, metavar="S[,S..]",
    help="Seconds between two fires. Several gaps around the recycle time let it be found: 0.3,0.5,1,2.",
)  # fmt: skip
@click.option("--by-hand", is_flag=True, help="Guide your hand through the beam instead of firing through SHOT.")
@click.option("--heads-alone", is_flag=True, help="Ask for each head alone, and learn which light sensor sees it.")
@click.option("--pulse", is_flag=True, help="Measure the light pulses of each head alone, at each of its powers.")
@click.option(
    "--powers", callback=powers_of, metavar="P[,P..]",
    help="With --pulse: powers to measure, as 1,1/2,1/4. Default: those of the site file.",
)  # fmt: skip
@click.option("--only", multiple=True, metavar="HEAD", help="With --pulse: measure this head only; may be repeated.")
@click.option(
    "--page", type=click.Path(path_type=Path, dir_okay=False), help="With --pulse: write its page, one HTML file."
)
@click.option("--force", is_flag=True, help="Replace a page that exists.")
@click.option("--save", is_flag=True, help="Write what --heads-alone or --pulse proved into the site file.")
@click.option("--yes", is_flag=True, help="Fire at once, without asking.")
@click.option(
    "--logbook", type=click.Path(path_type=Path), default=Path("bench"), show_default=True,
    help="Folder for the bench's logs; keep it apart from the nights.",
)  # fmt: skip
@site_option
@port_option
@json_option
def command(shots: int, gaps: list[float], by_hand: bool, heads_alone: bool, **how: Any) -> None:
    """Fire the rig and measure: delay of each head, skew between them, recycle time where the gaps allow it.

    SHOT closes the transmitter's contact, and a jumper shows the same moment to BEAM2, so that start and light are
    stamped by one clock (hardware_notes/bench.md has the wiring and the cautions). The log of it is pulled into a
    folder of its own. Flash heads overheat: keep to what their maker allows in a row.

    With --pulse and a photodiode on PULSE (hardware_notes/pulse.md) each head is fired alone at each power: how long
    its light lasts, how strong it is, whether the heads are alike, and, with several gaps, how it charges:

    \b
      duskgate bench --pulse --powers 1/2,1/4 --shots 5 --page pulses.html
    """
    check_options(how, {"--by-hand": by_hand, "--heads-alone": heads_alone})
    if how["save"] and not (heads_alone or how["pulse"]):
        raise UsageError("--save goes with --heads-alone or --pulse: it writes what they proved")
    if by_hand and heads_alone:
        raise UsageError("choose one of --by-hand and --heads-alone")
    if how["logbook"].name == "logbook":
        raise UsageError("keep bench logs apart from the nights: name another folder with --logbook")
    site, site_path = site_of(how["site_path"], how["logbook"])
    if how["save"] and site_path is None:
        raise UsageError("--save needs a site file: duskgate site writes one, or name it with --site")
    how |= {"site": site, "site_path": site_path, "gaps": gaps, "shots": shots}
    if how["pulse"]:
        bench_pulse(how)
    else:
        bench_delays(by_hand, heads_alone, how)


def bench_delays(by_hand: bool, heads_alone: bool, how: dict[str, Any]) -> None:
    """Fire as asked, and tell delays, skew, recycle time or the heads' sensors."""
    from ..link.port import BoardLink, one_port
    from .bench_run import Run

    site, shots, gaps = how["site"], how["shots"], how["gaps"]
    with BoardLink(one_port(how["port"])) as link:
        run = Run(link, how["logbook"], how["site_path"], quiet=how["as_json"])
        run.begin()
        if not how["yes"]:
            fires = shots * (1 if by_hand else len(gaps)) * (1 if not heads_alone else len(head_names(site)))
            ask_yes(
                f"The heads will fire {fires} times. Nobody looks into them? Go", default=True, abort=True, err=True
            )
        asked = fire(run, shots, gaps, by_hand, head_names(site) if heads_alone else [])
        rec = run.pull()
    show(run, rec, asked, by_hand, how)


def site_of(site_path: Path | None, logbook: Path) -> tuple[Any, Path | None]:
    """The site file's content and path; (None, None) where there is none."""
    from .. import sitefile
    from .pull import site_beside

    path = site_path or site_beside(logbook)
    return (sitefile.load(path), path) if path else (None, None)


def head_names(site: Any) -> list[str]:
    """Names of the heads; three of no name where no site file tells."""
    return [head.name for head in site.heads] if site and site.heads else ["head 1", "head 2", "head 3"]


def fire(run: Any, shots: int, gaps: list[float], by_hand: bool, alone: list[str]) -> list[str]:
    """Have everything fired; for heads alone, the name of the head that each shot asked."""
    if by_hand:
        run.by_hand(shots, gaps[0])
        return []
    for name in alone:
        ask_for(
            f"Switch on {name} alone, all others off, then press Enter", default="", show_default=False, err=True
        )
        run.shots(shots, gaps[-1])
    if alone:
        return [name for name in alone for _ in range(shots)]
    for gap in gaps:
        run.shots(shots, gap)
    return []


def show(run: Any, rec: Any, asked: list[str], by_hand: bool, how: dict[str, Any]) -> None:
    """Print what was measured. Raises NothingToAnswer where no light came."""
    from ..errors import NothingToAnswer
    from . import bench_words as words

    facts = words.measure(rec, run.clock_map(rec), how["site"], run.window_utc_us(rec), asked, by_hand)
    facts["log"] = str(run.path)
    if how["save"] and facts.get("heads"):
        facts["site_file"] = words.save_sensors(how["site_path"], facts["heads"]["heads"])
    say_answer(facts, words.lines(facts), how["as_json"])
    if not facts["answered"] and not facts.get("unit"):
        raise NothingToAnswer(words.why_nothing(facts, by_hand))
