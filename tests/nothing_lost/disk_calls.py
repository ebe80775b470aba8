"""Every call that touches the disk, counted, and one of them fatal."""

from __future__ import annotations

import builtins
import os

DISK_CALLS = ("rename", "replace", "fsync", "unlink", "remove", "open", "mkdir")


class Killed(BaseException):
    """The program ends here: nothing may catch it."""


class DiskCalls:
    """Counts what touches the disk, and dies before or after the n-th of these calls; a write dies half-way."""

    def __init__(self, die_at: int = -1, after: bool = False):
        self.n, self.die_at, self.after = 0, die_at, after
        self.kept = {name: getattr(os, name) for name in DISK_CALLS}
        self.kept_open = builtins.open

    def __enter__(self) -> DiskCalls:
        for name in DISK_CALLS:
            setattr(os, name, self._guard(self.kept[name]))
        builtins.open = self._open  # type: ignore[assignment]
        return self

    def __exit__(self, *_exc: object) -> None:
        for name, real in self.kept.items():
            setattr(os, name, real)
        builtins.open = self.kept_open

    def _due(self) -> bool:
        self.n += 1
        return self.n - 1 == self.die_at

    def _guard(self, real):
        def call(*args, **kwargs):
            due = self._due()
            if due and not self.after:
                raise Killed
            out = real(*args, **kwargs)
            if due:
                raise Killed
            return out

        return call

    def _open(self, name, mode="r", *args, **kwargs):
        file = self.kept_open(name, mode, *args, **kwargs)
        if isinstance(name, int) or not set(mode) & set("wax+"):
            return file
        real = file.write

        def write(data):
            if self._due():
                real(data if self.after else data[: len(data) // 2])
                file.flush()
                raise Killed
            return real(data)

        return _Writer(file, write)


class _Writer:
    """A file whose `write` is another one."""

    def __init__(self, file, write):
        self._file, self.write = file, write

    def __getattr__(self, name):
        return getattr(self._file, name)

    def __enter__(self):
        return self

    def __exit__(self, *exc):
        return self._file.__exit__(*exc)
