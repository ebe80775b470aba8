"""Client of the control port (README.md in this folder): scenes on pins, power, board time. One JSON object a line."""

import json
import socket
import time
from typing import Any

ANSWER_S = 120.0  # wall time: a board that is emulated may run slower than real time


class ControlError(Exception):
    """The control port refused a command or went away."""


class Control:
    """`control("status")` and so on. Events that come in between are kept in `events`."""

    def __init__(self, address: str):
        host, _, port = address.rpartition(":")
        self._socket = socket.create_connection((host or "127.0.0.1", int(port)), timeout=ANSWER_S)
        self._rest = b""
        self.events: list[dict] = []

    def close(self) -> None:
        self._socket.close()

    def __call__(self, command: str, **more: Any) -> dict:
        self._socket.sendall(json.dumps({"cmd": command, **more}).encode() + b"\n")
        while True:
            said = self._next(ANSWER_S)
            if "ok" in said:
                if not said["ok"]:
                    raise ControlError(f"{command}: {said.get('error')}")
                return said

    def now_us(self) -> float:
        """Board time: microseconds since the first power-up, also while the power is off."""
        return self("status")["board_us"]

    def wait(self, seconds: float) -> float:
        """Until that much board time has passed; returns the board time."""
        return self.wait_until(self.now_us() + 1e6 * seconds)

    def wait_until(self, board_us: float) -> float:
        """In steps, so that the time limit of an answer holds for each of them."""
        while (now := self.now_us()) < board_us:
            self("until", us=min(board_us, now + 5e6))
        return now

    def event(self, name: str, within_s: float = ANSWER_S) -> dict:
        """The oldest event of that name that was not taken yet, waiting for it."""
        end = time.monotonic() + within_s
        while True:
            for index, event in enumerate(self.events):
                if event["event"] == name:
                    return self.events.pop(index)
            if time.monotonic() > end:
                raise ControlError(f"no event {name} within {within_s} s")
            self._next(within_s)

    def forget_events(self) -> None:
        """Drop every event up to now, also those not read yet."""
        self("status")
        self.events.clear()

    def _next(self, within_s: float) -> dict:
        self._socket.settimeout(within_s)
        while b"\n" not in self._rest:
            try:
                data = self._socket.recv(65_536)
            except OSError as error:
                raise ControlError(f"the control port is silent: {error}") from error
            if not data:
                raise ControlError("the control port is closed")
            self._rest += data
        line, self._rest = self._rest.split(b"\n", 1)
        said = json.loads(line)
        if "event" in said:
            self.events.append(said)
        return said
