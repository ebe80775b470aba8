"""What is new while `watch` writes plain lines: an event a line, so that a kept log can be searched."""

from typing import Any


class Events:
    """What is new since the last time it was asked, for lines that are kept."""

    COUNTED = (("visits", "visit"), ("fires", "fire"), ("misses", "miss"))

    def __init__(self) -> None:
        self._before: dict[str, Any] | None = None

    def of(self, live: Any, status: Any) -> str:
        """'visit, fire', 'no link', 'board restarted', 'new warning'; empty where nothing is new, or at first."""
        from ..ready.words import Told

        told = Told(live, status)
        names = self.COUNTED if live.fires_watched else self.COUNTED[:1]
        stopped = told.stopped()
        now = {name: getattr(live, name) for name, _ in names} | {
            "lost": status.lost, "restarts": status.restarts, "warnings": {steady(text) for text in told.warnings()},
            "stopped": stopped[0] if stopped else "",
        }  # fmt: skip
        old, self._before = self._before or now, now
        said = [word for name, word in names if now[name] > old.get(name, 0)]
        if now["lost"] != old["lost"]:
            said.append("no link" if now["lost"] else "link back")
        elif now["stopped"] != old["stopped"]:
            said.append(now["stopped"].lower() or f"no longer {old['stopped'].lower()}")
        said += ["board restarted"] if now["restarts"] > old["restarts"] else []
        said += ["new warning"] if now["warnings"] - old["warnings"] else []
        return ", ".join(said)


def steady(text: str) -> str:
    """A warning without its figures: a count that grows is no new warning."""
    return "".join(c for c in text if not c.isdigit())
