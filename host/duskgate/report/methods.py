"""How each number was reached: method, number of cases, source, and what it cannot tell."""

from .. import fields
from . import pulse_said, words

LIMITS = (
    "Two animals within the pause count as one visit.",
    "A command that was lost while the flash was empty leaves no trace.",
    "A sudden end of a cell cannot be seen coming from one night.",
    "A lone flicker of 1 or 2 ms may be an insect or a drop.",
    "Nothing is known of what happened while the logger or the beam was blind.",
    "Rates from one or two nights say little about other nights.",
    "The intervals assume log-normal pauses, probit charging and independent heads; a real feeder may differ.",
)


def methods(est: dict) -> list[dict]:
    """Rows {what, how, n, source}."""
    v, misses, fires = est.get("visits") or {}, est.get("misses") or {}, est.get("fires") or {}
    rows = [
        (
            "Visits",
            _grouping(v),
            v.get("n_gaps"),
            "Sibly, Nott and Fletcher 1990, Animal Behaviour 39:63; Berdoy 1993, Animal Behaviour 46:387",
        ),
        (
            "Kinds of break",
            "Rules on length, rhythm and company of breaks, in a fixed order; each break carries the "
            "rule as a sentence.",
            sum((est.get("kinds") or {}).values()) or None,
            "own rules, thresholds below",
        ),
        (
            "Rates",
            "Visits per hour of sight; one night's interval is the exact Poisson interval widened by the night's own "
            f"over-dispersion ({_dispersion(est)}).",
            v.get("n"),
            "Garwood 1936, Biometrika 28:437; von Neumann 1941, Annals of Mathematical Statistics 12:367",
        ),
    ]
    if fires:
        rows += [
            (
                "Delay",
                "Each light is given the earliest unused break in the delay window; quantiles carry "
                "intervals from order statistics.",
                fires.get("answered"),
                "Hahn and Meeker 1991, Statistical Intervals",
            ),
            (
                "Recycle time",
                "Chance of light against the time since the head's last light: probit in log time "
                "with a share lost at any time.",
                misses.get("watched_breaks"),
                "Wichmann and Hill 2001, Perception and Psychophysics 63:1293; Prins 2012, Journal of Vision 12(6):25",
            ),
            (
                "Cause of a miss",
                "Recycling, cells and lost commands are told apart by how likely darkness was at "
                "that pause; the rest stays unknown.",
                misses.get("n"),
                "own rule",
            ),
            (
                "Shares",
                "Score interval of a share.",
                misses.get("watched_breaks"),
                "Wilson 1927, Journal of the American Statistical Association 22:209",
            ),
        ]
    found = [{"what": a, "how": b, "n": n, "source": s} for a, b, n, s in rows]
    pulse = est.get("pulse") or {}
    return [*found, pulse_said.METHOD | {"n": pulse["by_verdict"]["good"]}] if pulse.get("n") else found


def limits(est: dict) -> list[str]:
    """What no method can tell, with what light pulses cannot where the night holds any."""
    return [*LIMITS, *(pulse_said.LIMITS if (est.get("pulse") or {}).get("n") else ())]


def _grouping(v: dict) -> str:
    if v.get("criterion_source") == "fitted":
        return (
            "Breaks closer than a pause belong together; the pause is where two log-normal populations "
            "of gaps, fitted to this night, cross."
        )
    default = v.get("criterion_default_s")
    length = f" of {words.number(default, 2)} s" if words.finite(default) else ""
    return f"Breaks closer than a pause{length} belong together; too few gaps to fit it, so the pause is assumed."


def _dispersion(est: dict) -> str:
    phi = (est.get("rates") or {}).get("dispersion")
    return f"variance {words.number(phi, 1)} times the mean" if words.finite(phi) else "not estimated"


def versions(boots: list[dict], tool_version: str) -> dict:
    """Versions of the tool, the tables, the firmware and the interpreters that the page rests on."""
    return {
        "duskgate": tool_version,
        "tables": fields.TABLES_VERSION,
        "firmware": list(dict.fromkeys(b["firmware"] for b in boots)),
        "interpreters": list(dict.fromkeys(b["interpreter"] for b in boots)),
    }


CAUTIONS = (
    {
        "about": "Flash",
        "text": "Flash circuits hold several hundred volts, also when switched off. Never open one; "
        "use isolated sync parts rated for it.",
    },
    {
        "about": "Eyes",
        "text": "Do not look into a flash at close range or into a strong infrared emitter, nor aim "
        "them where people or animals must look.",
    },
    {
        "about": "Cells",
        "text": "Lithium cells burn when shorted, crushed, overcharged or soaked. Use protected "
        "cells, a fuse and a dry box.",
    },
    {"about": "Rigging and wet", "text": "What hangs overhead needs a second tether. Keep mains away from wet gear."},
    {
        "about": "Animals",
        "text": "The animal comes first: limit the firings per hour, handle nothing, stop when visitors stay away.",
    },
    {
        "about": "Law",
        "text": "Animals, roosts and plants may be protected, and lights or feeding may need a "
        "permit. Local codes and local law decide.",
    },
)
