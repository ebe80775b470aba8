"""Puts the board's files on the path; the shared tests import them as the board does."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / "firmware"), str(Path(__file__).resolve().parent)]
