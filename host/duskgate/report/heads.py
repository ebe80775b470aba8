"""The heads under the names that their owner gave them, instead of those of the sensors that see them."""

PAIR = " after "  # between the names of two heads; a hyphen may well stand in a name


def own_names(place: dict) -> dict[str, str]:
    """{sensors as the analysis names them: the user's name} for heads whose sensors the site file states."""
    found: dict[str, str] = {}
    for head in place.get("heads") or []:
        key = "+".join(sorted(head.get("sensors") or ()))
        name = str(head.get("name") or "")
        if key and name and key not in found and name not in found.values():
            found[key] = name
    return found


def renamed(est: dict, names: dict[str, str]) -> dict:
    """Estimates with each head's key changed to the user's name; everything else as it is."""
    if not names:
        return est
    out = dict(est)
    out["recycle"] = _keys(est.get("recycle"), names)
    out["latency"] = {path: _path(found, names) for path, found in (est.get("latency") or {}).items()}
    if est.get("pulse"):
        out["pulse"] = {**est["pulse"], "heads": _keys(est["pulse"]["heads"], names)}
    supply = est.get("supply")
    if supply:
        out["supply"] = {**supply, "heads": _keys(supply.get("heads"), names)}
    heads = est.get("heads")
    if heads and heads.get("names"):
        out["heads"] = {**heads, "names": [names.get(n, n) for n in heads["names"]]}
    return out


def _keys(found: dict | None, names: dict[str, str]) -> dict:
    return {names.get(key, key): value for key, value in (found or {}).items()}


def _path(found: dict, names: dict[str, str]) -> dict:
    out = {**found, "heads": _keys(found.get("heads"), names)}
    if found.get("skew_us"):
        pairs = ((pair.partition("-"), skew) for pair, skew in found["skew_us"].items())
        out["skew_us"] = {f"{names.get(a, a)}{PAIR}{names.get(b, b)}": skew for (a, _, b), skew in pairs}
    return out
