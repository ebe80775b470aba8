"""axe-core's rules over an open page."""

# The marks in a figure are one picture with one text, which is what axe reads; rows of a table are alike.
WHERE = {"exclude": [[".plot > *"], ["tbody tr:nth-child(n+4)"]]}
GRAVE = {"serious", "critical"}


def grave(found: dict) -> list[tuple]:
    """(rule, what it asks, places) of what axe calls serious or critical."""
    faults = [v for v in found["violations"] if v["impact"] in GRAVE]
    return [(v["id"], v["help"], [node["target"] for node in v["nodes"]][:5]) for v in faults]


def look_over(axe, page, look: str) -> dict:
    """What axe says of the page in one look, every fold open; folds and look are put back."""
    page.check(f"input[value={look}]")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    # looks differ in colours alone, so that the other rules need be asked once
    only = {} if look == "day" else {"runOnly": ["color-contrast", "link-in-text-block"]}
    found = axe.run(page, context=WHERE, options=only).response
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    page.check("input[value=day]")
    return found
