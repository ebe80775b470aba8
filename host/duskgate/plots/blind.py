"""When the board was on, when nothing could be seen and why, and how well its clock is known."""

from . import night_axis
from .style import axis, colour, make, plain, words_at


def figure(tables: dict, facts: dict):
    """Figure of the blind times over the board's starts; traces, layout and size as a plain dict."""
    boots = [
        b for b in facts["log"]["boots"] if b["start_utc_us"] > facts["known_from_utc_us"] and b["clock"] != "unknown"
    ]
    gaps = [g for g in facts["log"]["gaps"] if g["start_utc_us"] > facts["known_from_utc_us"]]
    whys = [w for w in facts["log"]["gaps_by_why"] if any(g["why_words"] == w["why_words"] for g in gaps)]
    rows = 1 + len(whys)
    data = [_on(boots, rows - 1, facts)] if boots else []
    on = f" board on: {plain(facts['log']['clock_text'])}"
    notes = [words_at(0.0, rows - 1 + 0.3, on, xref="paper", yanchor="bottom")]
    for k, why in enumerate(whys):
        y = rows - 2 - k
        data.append(_bars([g for g in gaps if g["why_words"] == why["why_words"]], y, facts))
        notes.append(words_at(0.0, y + 0.3, f" {plain(why['text'])}", xref="paper", yanchor="bottom"))
    return make(
        facts["figures"]["blind"]["title"],
        data,
        130 + 66 * rows,
        annotations=notes,
        xaxis=night_axis.time_axis(facts),
        yaxis=axis("what the log covers", range=[-0.5, rows - 0.2], showticklabels=False, ticks="", showgrid=False),
    )


def _bar(lo, hi, y, hover, **marker):
    return {
        "type": "bar",
        "orientation": "h",
        "base": lo,
        "x": hi - lo,
        "y": [y] * len(lo),
        "width": 0.42,
        "hoverinfo": "text",
        "hovertext": hover,
        "marker": marker,
    }


def _on(boots, y, facts):
    lo = night_axis.local_ms([b["start_utc_us"] for b in boots], facts)
    hi = night_axis.local_ms([b["end_utc_us"] for b in boots], facts)
    said = [
        f"Start {b['boot_no']} of the board ({plain(b['cause'])}), {b['span']}; time of day "
        f"{plain(b['clock_words'])}, {b['clock_unc_text']}."
        for b in boots
    ]
    return _bar(lo, hi, y, said, color=colour("other"), line={"color": colour("ground"), "width": 1})


def _bars(gaps, y, facts):
    lo = night_axis.local_ms([g["start_utc_us"] for g in gaps], facts)
    hi = night_axis.local_ms([g["end_utc_us"] for g in gaps], facts)
    said = [f"{g['text']}{', ' + plain(g['detail']) if g['detail'] else ''}." for g in gaps]
    pattern = {"shape": "/", "fgcolor": colour("hatch"), "bgcolor": colour("ground"), "size": 7, "solidity": 0.3}
    return _bar(lo, hi, y, said, color=colour("ground"), pattern=pattern, line={"color": colour("hatch"), "width": 1})
