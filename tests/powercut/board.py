"""The MicroPython process that lives the histories."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.powercut.histories import load_of

HERE = Path(__file__).resolve().parent
START = "import sys; from micropython_unix import main; sys.exit(main())"


class Driver:
    """Context manager; ask() sends a request to driver.py and gives its counts. See there for both."""

    def __enter__(self) -> Driver:
        self._said = tempfile.TemporaryFile("w+")
        self._process = subprocess.Popen(
            [sys.executable, "-c", START, "-X", "heapsize=128m", str(HERE / "driver.py"), str(HERE.parents[1])],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._said, text=True,
        )  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        self._process.wait(30)
        self._process.stdout.close()
        self._said.close()

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """RuntimeError with what it said where the process died."""
        versions = {step[1] for step in request["history"] if step[0] == "load"}
        loads = {str(version): load_of(version) for version in versions}
        self._process.stdin.write(json.dumps({**request, "loads": loads}) + "\n")
        self._process.stdin.flush()
        said = []
        for line in self._process.stdout or ():
            if line.startswith("{"):
                return json.loads(line)
            said.append(line)
        self._said.seek(0)
        raise RuntimeError("".join(said[-20:]) + self._said.read()[-2000:])
