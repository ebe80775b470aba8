"""Where the board's files are: inside an installed wheel, else beside `host/` in the repository."""

from pathlib import Path

from .errors import UsageError

HERE = Path(__file__).resolve().parent


def firmware_folder() -> Path:
    """Folder that is copied to the board. Raises UsageError when this installation has none."""
    for folder in (HERE / "_firmware", HERE.parents[1] / "firmware"):
        if (folder / "station.py").is_file():
            return folder
    raise UsageError("the board's files are missing from this installation: install duskgate again from its wheel")
