"""Boards that answer nonsense: wrong kinds of frames, JSON that is none, absurd numbers, data without end."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

from tests import fakes

DEEP = b"[" * 1000 + b"]" * 1000
NONSENSE: list[bytes] = [
    b"", b"null", b"[]", b"{}", b"{", b'"text"', b"1e999", b"{\"board\": 5}", b"\xff\xfe", DEEP, b"NaN",
    b'{"tick": 1e400}', b'{"tick": -1, "boot_id": 1}', b'{"tick": "x", "boot_id": []}', b"9" * 900,
    b'{"board": "' + b"a" * 900 + b'"}', b'{"bytes": -1, "crc": 0}', b'{"marked": {}}', b'{"board": "../../x"}',
    json.dumps({"code": "busy", "text": "\x1b[2J\nline\n" * 20}).encode(),
]  # fmt: skip


class Nonsense(fakes.FakeBoard):
    """A board that answers one verb with `payload` in a frame of `kind`, `times` times over; "*" is every verb."""

    def __init__(self, segments: dict[int, list], verb: str, kind: int, payload: bytes, times: int = 1):
        super().__init__(segments)
        self.what = (verb, kind, payload, times)

    def _speak(self, ss: int, verb: str, args: list[str]) -> list[bytes]:
        chosen, kind, payload, times = self.what
        if chosen in (verb, "*"):
            return [fakes.frame(kind, ss, payload)] * times
        return super()._speak(ss, verb, args)


class Flood(fakes.FakeBoard):
    """A board that answers with bytes without end and never with a frame."""

    def feed(self, data: bytes) -> list[bytes]:
        return [b"\xe7\x9d\x02\x00\xff\xff" * 50_000]


def liars(make: Callable[[], dict[int, list]]) -> Iterator[Nonsense | Flood]:
    """Boards of all kinds of nonsense; `make` gives the segments of one."""
    for verb in ("who", "commit", "list", "tick", "get", "pulled", "*"):
        for kind in (1, 2, 3, 4, 77):
            for payload in NONSENSE:
                yield Nonsense(make(), verb, kind, payload)
        yield Nonsense(make(), verb, 2, b"\0" * 1024, 3000)  # data for ever
        yield Nonsense(make(), verb, 2, b"\xff" * 1024, 3)  # far beyond what was asked for
        yield Nonsense(make(), verb, 3, json.dumps({"bytes": 2**63, "crc": 1}).encode())
    yield Nonsense(make(), "list", 2, b"\0\0\0\0" + bytes(range(12)) * 80, 1000)
    yield Flood()
