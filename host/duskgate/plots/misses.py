"""Share of breaks that all heads answered against the time since the last light, with the fitted chance per head."""

import math

import numpy as np

from .style import DASHES, axis, colour, in_template, make, words_at

ROLES = ("full", "other", "part", "none")


def chance(gap_s: np.ndarray, r50_s: float, r95_s: float, lapse: float) -> np.ndarray:
    """Chance that a head is ready: probit in log time through the fitted 50 % and 95 % points, less the lapse."""
    sigma = math.log(r95_s / r50_s) / 1.6448536
    z = np.log(gap_s / r50_s) / max(sigma, 1e-6)
    return (1 - lapse) * 0.5 * (1 + np.array([math.erf(x / math.sqrt(2)) for x in z]))


def figure(tables: dict, facts: dict):
    """Figure of answers against the time since the last light, with the fitted curves; a plain dict."""
    shares = facts["answered_by_gap"]
    mids = [s["gap_mid_s"] for s in shares]
    wide = max(1.25, 2.5 / math.sqrt(max(mids) / min(mids)))  # at least 2.5 times either way of a lone point
    lo, hi = max(0.03, min(mids) / wide), max(mids) * wide
    gap = np.geomspace(lo, hi, 240)
    recycle = {h: r for h, r in (facts["estimates"].get("recycle") or {}).items() if _fitted(r)}
    data = [_curve(h, r, gap, k) for k, (h, r) in enumerate(recycle.items())]
    data += [_rug(tables["breaks"], facts, lo, hi), _points(shares)]
    fine = {"yanchor": "bottom", "font": {"size": 11, "color": colour("soft")}, "name": "fine"}
    notes = [
        words_at(x, y, f"{s['n']}", **{**fine, "xanchor": "center"})
        for s, (x, y) in zip(shares, _places(shares, math.log10(hi / lo)), strict=True)
    ]
    notes.append(words_at(0.0, 117, " n of each point:", xref="paper", **fine))
    return make(
        facts["figures"]["misses"]["title"],
        data,
        400,
        annotations=notes,
        showlegend=True,
        margin={"l": 14, "r": 14, "t": 56, "b": 90},
        xaxis=axis(
            "time since the last light, s (log)",
            type="log",
            range=[math.log10(lo), math.log10(hi)],
            tickvals=[0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 1000],
        ),
        yaxis=axis("breaks answered by all heads, %", range=[-9, 128], tickvals=[0, 25, 50, 75, 100]),
    )


def _places(shares, decades: float) -> list[tuple[float, float]]:
    """Where the n of each point stands: above its neighbour's where the two would run into each other."""
    out: list[tuple[float, float]] = []
    for s in shares:
        x = math.log10(s["gap_mid_s"])
        close = bool(out) and x - out[-1][0] < 0.055 * decades
        out.append((x, 109.0 if close and out[-1][1] < 105 else 102.0))
    return out


def _fitted(r) -> bool:
    return all((r.get(k) or {}).get("value") for k in ("r50_s", "r95_s")) and r["r95_s"]["value"] > r["r50_s"]["value"]


def _curve(head, r, gap, k):
    lapse = (r.get("lapse") or {}).get("value") or 0.0
    name = "the heads seen together" if head == "all" else in_template(head)
    r50, r95 = r["r50_s"]["value"], r["r95_s"]["value"]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": np.round(gap, 4),
        "y": np.round(100 * chance(gap, r50, r95, lapse), 2),
        "name": f"{name}: chance to be ready (fit)",
        "line": {"color": colour(ROLES[k % 4]), "dash": DASHES[k % 4], "width": 2},
        "hovertemplate": f"{name} is ready after %{{x:.2f}} s in %{{y:.0f}} % of cases (fit).<extra></extra>",
    }


def _rug(breaks, facts, lo, hi):
    """Each break without light as a tick at the bottom, where its gap is on the axis."""
    dark = breaks[(breaks["kind"] == "visit") & (breaks["outcome"] == "none")]
    gap = dark["gap_s"].dropna().to_numpy()
    gap = gap[(gap >= lo) & (gap <= hi)]
    step = facts["figures"]["misses"]["draw_every"]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": np.round(gap[:: max(1, step)], 3),
        "y": np.full(len(gap[:: max(1, step)]), -4.5),
        "name": "a break without light",
        "marker": {
            "symbol": "line-ns-open",
            "size": 11,
            "color": colour("none"),
            "line": {"width": 1.5, "color": colour("none")},
        },
        "hovertemplate": "A break without light, %{x:.2f} s after the last light.<extra></extra>",
    }


def _points(shares):
    share, lo, hi = (np.array([100 * s[k] for s in shares]) for k in ("share", "lo", "hi"))
    said = [
        f"About {s['gap_mid_s']:.2f} s after the last light: all heads lit at {s['full']} of {s['n']} "
        f"breaks, {a:.0f} % (95 % interval {x:.0f} to {y:.0f} %)."
        for s, a, x, y in zip(shares, share, lo, hi, strict=True)
    ]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [s["gap_mid_s"] for s in shares],
        "y": share,
        "name": "all heads lit (share)",
        "hoverinfo": "text",
        "hovertext": said,
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": hi - share,
            "arrayminus": share - lo,
            "color": colour("ink"),
            "thickness": 1.5,
            "width": 4,
        },
        "marker": {
            "color": colour("ink"),
            "size": 9,
            "symbol": ["circle" if s["n"] >= 5 else "circle-open" for s in shares],
        },
    }
