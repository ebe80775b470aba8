"""Reads the README's commands, so that tests and CI run exactly what the README promises.

`python tests/readme_commands.py test` prints the test command, `... demo` the demo command.
"""

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parents[1] / "README.md"
BLOCK = re.compile(r"<!-- command: (\w+) -->\s*```sh\n(.*?)```", re.S)


def commands() -> dict[str, str]:
    """Name -> shell text of every block that the README marks as a promise."""
    return {name: text.strip() for name, text in BLOCK.findall(README.read_text(encoding="utf-8"))}


if __name__ == "__main__":
    print(commands()[sys.argv[1]])
