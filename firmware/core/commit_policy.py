"""When waiting records are committed.

Every commit costs about one erase of a flash sector whatever its size, so records wait; but a power cut loses what
waits, so they do not wait long.
"""

RECORDS = 480  # the block holds 508: the rest is room for a group of values that must not be torn apart
WAIT_MS = 10000


class CommitPolicy:
    """due(): 480 records, or 10 s after the first of them."""

    def __init__(self, wait_ms=WAIT_MS, records=RECORDS):
        self.wait_ms = wait_ms
        self.records = records
        self._first_ms = None

    def saw(self, waiting, now_ms):
        """Tell how many records wait at `now_ms`. Call after each pass."""
        if not waiting:
            self._first_ms = None
        elif self._first_ms is None:
            self._first_ms = now_ms

    def due_ms(self):
        """Time at which the waiting records become due, or None where none wait."""
        return None if self._first_ms is None else self._first_ms + self.wait_ms

    def due(self, waiting, now_ms):
        if waiting >= self.records:
            return True
        return self._first_ms is not None and now_ms - self._first_ms >= self.wait_ms
