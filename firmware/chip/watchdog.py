"""The watchdog. Once begun it cannot be stopped, also not by a soft reset: maintenance starts without it (main.py)."""

from machine import WDT


class Watchdog:
    def __init__(self, timeout_ms):
        self._dog = WDT(timeout=timeout_ms)

    def feed(self):
        self._dog.feed()
