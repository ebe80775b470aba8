"""A series of fires for the bench: how many are left and when the next is due."""


class Shots:
    """begin() a series, then ask due() in each pass. `left`: fires to come; `due_ms`: when the next is, or None."""

    def __init__(self):
        self.left = 0
        self.due_ms = None
        self._number = 0
        self._gap_ms = 0

    def begin(self, count, gap_ms, now_ms):
        """A new series ends the one under way. count 0: only that."""
        self.left = count
        self._number = 0
        self._gap_ms = gap_ms
        self.due_ms = now_ms if count else None

    def end(self):
        self.begin(0, 0, 0)

    def due(self, now_ms):
        """Number in the series, from 1, of the fire that is due now; 0 where none is. Counts it as fired."""
        if self.due_ms is None or now_ms < self.due_ms:
            return 0
        self._number += 1
        self.left -= 1
        self.due_ms = now_ms + self._gap_ms if self.left else None
        return self._number
