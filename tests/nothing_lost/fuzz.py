"""Coverage-guided fuzzing of every reader. Needs the extra `fuzz`: pip install -e ".[test,fuzz]"

    python tests/nothing_lost/fuzz.py --reader NAME|all [--inputs N] [--seconds S] [--corpus DIR] [--rows FILE]

Each reader runs in a process of its own, because the fuzzer ends its process. Inputs are spoiled as in mutations.py,
so that most of them have right checks. A found case is kept in the corpus as `found-...`; give it a name and put it
into tests/nothing_lost/corpus/READER. The exit code is 1 where something was found. Without --inputs each reader gets
the number that readers.py says for it. --seconds ends a reader early; the number reached is what is told.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "host"), str(TOP / "firmware")]
KNOWN = Path(__file__).with_name("corpus")
LONGEST_INPUT = 4096
ROUND = 150_000  # inputs of one process: what the fuzzer keeps of its own grows, and it ends itself at 2 GB
FOLLOWED = ["duskgate.logfile", "duskgate.link", "duskgate.sitefile", "core.settings"]  # by coverage


class Run:
    """One reader under the fuzzer: counts, keeps what is found, ends after `inputs` or `seconds`."""

    def __init__(self, name: str, inputs: int, seconds: float, corpus: Path, report: Path):
        from tests.nothing_lost.readers import readers

        self.reader = readers()[name]
        self.name, self.inputs, self.corpus, self.report = name, inputs, corpus, report
        self.done = self.accepted = self.found = 0
        self.begun = time.monotonic()
        self.until = self.begun + seconds

    def one(self, data: bytes) -> None:
        """Feed one input; at the end of the run tell the counts and leave."""
        try:
            self.accepted += self.reader.feed(data) > 0
        except Exception as error:
            self._keep(data, error)
        self.done += 1
        if self.done % 8192 == 0:
            self._tell()  # so that a run that is stopped by force has its count
        if self.done >= self.inputs or (self.done % 64 == 0 and time.monotonic() > self.until):
            self._finish()

    def _keep(self, data: bytes, error: BaseException) -> None:
        self.found += 1
        if self.found <= 50:
            (self.corpus / f"found-{self.found:02d}").write_bytes(data)
            print(f"FOUND {self.name}: {type(error).__name__}: {str(error)[:2000]}", flush=True)

    def _finish(self) -> None:
        import os

        try:
            self.reader.finish()
        except Exception as error:
            self._keep(b"", error)
        self._tell()
        sys.stdout.flush()
        os._exit(0)  # the fuzzer's own end would be called a crash

    def _tell(self) -> None:
        took = time.monotonic() - self.begun
        row = {"tried": self.done, "lost": self.found, "accepted": self.accepted, "seconds": round(took, 1)}
        self.report.write_text(json.dumps(row), encoding="utf-8")


def child(given: argparse.Namespace) -> None:
    """The process that fuzzes one reader."""
    atheris: Any = importlib.import_module("atheris")  # by name: checkers of types do without it

    with atheris.instrument_imports(include=FOLLOWED):
        run = Run(given.reader, given.inputs, given.seconds, given.corpus, given.report)

    def spoil(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.25:
            return atheris.Mutate(data, most)
        return run.reader.mutate(rng, data or rng.choice(run.reader.seeds))[:most]

    args = [sys.argv[0], f"-max_len={LONGEST_INPUT}", f"-seed={given.seed}", "-verbosity=0", str(given.corpus)]
    atheris.Setup(args, run.one, custom_mutator=spoil)
    atheris.Fuzz()


def fuzz(name: str, given: argparse.Namespace) -> dict:
    """Fuzz one reader in a process of its own; the row of the table."""
    from tests.nothing_lost.readers import readers

    reader = readers()[name]
    inputs = given.inputs or reader.inputs
    with tempfile.TemporaryDirectory() as folder:
        corpus = (given.corpus or Path(folder) / "corpus") / name
        corpus.mkdir(parents=True, exist_ok=True)
        for i, seed in enumerate(reader.seeds):
            (corpus / f"seed-{i}").write_bytes(seed)
        for path in sorted((KNOWN / name).glob("*")):
            (corpus / path.name).write_bytes(path.read_bytes())
        said = _rounds(name, inputs, given, corpus, Path(folder) / "report")
    if said is None:
        return {"tried": 0, "lost": 1, "note": "the fuzzer's process broke"}
    rate = said["tried"] / max(said["seconds"], 0.1)
    note = f"{said['accepted']:,} accepted, {rate:,.0f} a second"
    if said["tried"] < inputs:
        note += f"; {inputs:,} were meant"
    return {"tried": said["tried"], "lost": said["lost"], "note": note}


def _rounds(name: str, inputs: int, given: argparse.Namespace, corpus: Path, report: Path) -> dict | None:
    """Processes one after another, each with a seed of its own and the corpus of those before; their counts summed.

    None: the first one left no count. A later one that breaks ends the run with what was counted.
    """
    total = {"tried": 0, "lost": 0, "accepted": 0, "seconds": 0.0}
    seed = given.seed
    while total["tried"] < inputs and total["seconds"] < given.seconds:
        share = min(ROUND, inputs - total["tried"])
        how = ["--reader", name, "--inputs", str(share), "--seconds", str(given.seconds - total["seconds"])]
        command = [sys.executable, __file__, "--child", "--report", str(report), "--seed", str(seed), *how]
        report.unlink(missing_ok=True)
        subprocess.run([*command, "--corpus", str(corpus)], check=False, cwd=TOP, stderr=subprocess.DEVNULL)
        if not report.exists():
            return total if total["tried"] else None
        said = json.loads(report.read_text(encoding="utf-8"))
        total = {key: total[key] + said[key] for key in total}
        print(f"{name}: {total['tried']:,} inputs, {total['lost']} found", flush=True)
        seed += 1
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", required=True, help="name of a reader (readers.py), or all")
    parser.add_argument("--inputs", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--corpus", type=Path)
    parser.add_argument("--rows", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--report", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        parser.error('the fuzzer is not installed: pip install -e ".[test,fuzz]"')
    if given.child:
        child(given)
        return 0
    from tests.nothing_lost import rows
    from tests.nothing_lost.readers import readers

    names = list(readers()) if given.reader == "all" else [given.reader]
    lost = 0
    for name in names:
        row = fuzz(name, given)
        command = f"python tests/nothing_lost/fuzz.py --reader {name}"
        row = {"what": f"{name} under the fuzzer", "unit": "inputs", **row, "command": command}
        print(json.dumps(row), flush=True)
        lost += row["lost"]
        rows.keep(given.rows, [row])
    return int(lost > 0)


if __name__ == "__main__":
    sys.exit(main())
