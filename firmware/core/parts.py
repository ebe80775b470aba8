"""The board's parts, asked so that one that fails does not take the rest down.

An OSError is a fault of the moment: it is noted and the part asked again another time. Anything else is a bug or a
broken driver: the part is dropped, and said so.
"""

from core.faults import FaultList


def error_number(error):
    """Error number of an OSError, 0 of anything else (the board's other exceptions put their text there)."""
    return error.errno or 0 if isinstance(error, OSError) else 0


class Parts:
    """ask() and fault(). `parts`: name -> part; "pace" is always there."""

    def __init__(self, parts):
        self._parts = dict(parts)
        self.pace = parts["pace"]
        self.faults = FaultList()

    def has(self, name):
        return self._parts.get(name) is not None

    def part(self, name):
        """The part itself, for who asks it in every pass, or None."""
        return self._parts.get(name)

    def fault(self, number, detail=0, write=True):
        self.faults.add(number, detail, self.pace.now_ms(), write)

    def ask(self, name, number, method, *arguments):
        """What the part's method answers; None where the part is gone or fails, noted as fault `number`."""
        part = self._parts.get(name)
        if part is None:
            return None
        try:
            return getattr(part, method)(*arguments)
        except OSError as error:
            self.fault(number, error_number(error))
        except Exception:
            self.fault(number)
            self._parts[name] = None
        return None
