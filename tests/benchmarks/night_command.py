"""What `duskgate night` costs against the imports it cannot do without: python tests/benchmarks/night_command.py

One night of some 20,000 edges is written as a log file; then, in turns, whole processes are timed: the imports alone
(pandas, plotly.graph_objects, scipy.optimize), the command with its page, and the command without. Medians and their
ratios are printed; wanted is at most 1.6 for the command with its page, a copy of the page to the disk apart.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from tests.cli.night_logs import night_log  # noqa: E402

TURNS = 9
WANTED = 1.6
IMPORTS = ["-c", "import pandas, plotly.graph_objects, scipy.optimize"]


def seconds(words: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL, cwd=ROOT / "host")
    return time.perf_counter() - start


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        log, page = Path(folder) / "night.dgl", Path(folder) / "night.html"
        log.write_bytes(night_log("border-night", seed=3))
        night = ["-m", "duskgate", "night", str(log)]
        runs = {"imports": IMPORTS, "with page": [*night, "--page", str(page), "--force"], "without": night}
        took: dict[str, list[float]] = {name: [] for name in runs}
        for _ in range(TURNS):
            for name, words in runs.items():
                took[name].append(seconds(words))
        start = time.perf_counter()
        (Path(folder) / "copy.html").write_bytes(page.read_bytes())
        copy = time.perf_counter() - start
        size = page.stat().st_size
    middle = {name: statistics.median(t) for name, t in took.items()}
    for name, t in middle.items():
        print(f"{name:<10} {t:.3f} s, {t / middle['imports']:.2f} x imports ({TURNS} turns)")
    ratio = (middle["with page"] - copy) / middle["imports"]
    print(f"page {size / 1e6:.2f} MB, copied in {copy:.3f} s; without the copy {ratio:.2f} x, wanted at most {WANTED}")


if __name__ == "__main__":
    main()
