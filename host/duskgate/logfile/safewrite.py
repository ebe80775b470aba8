"""Files that appear whole or not at all, never over another, and a lock that a dying program cannot leave behind."""

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

from ..errors import UsageError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None
    import msvcrt

TEMPORARY = ".duskgate-{}.tmp"
NO_LINK = getattr(os, "O_NOFOLLOW", 0)  # a link in the place of a private file would lead writes out of the folder
# what a file system says that cannot flush a folder (FAT and network disks), though the file itself is flushed
CANNOT_FLUSH = {errno.EINVAL, errno.ENOTSUP, errno.ENOSYS, errno.EBADF}


def write_new(path: Path, content: bytes) -> Path:
    """Write `content` under `path`, or under the first free numbered name beside it; return the name taken.

    Temporary name in the same folder, flushed to the disk, renamed, the folder flushed too. The caller holds the
    folder's lock, so nobody takes the name in between. Raises UsageError; nothing half-made stays behind.
    """
    temporary = path.parent / TEMPORARY.format(path.name)
    try:
        temporary.unlink(missing_ok=True)  # under the lock it belongs to nobody
        with open(temporary, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        final = free_name(path)
        os.rename(temporary, final)
        flush_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise UsageError(
            f"{path.parent}: cannot write {path.name} ({error.strerror or error}): free some space or check the access "
            "rights; nothing half-made was left, and the board still has its data"
        ) from error
    return final


def free_name(path: Path) -> Path:
    """`path` itself, or `name-2`, `name-3` and so on when there is such a file."""
    number = 2
    free = path
    while free.exists() or free.is_symlink():
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free


def flush_folder(folder: Path) -> None:
    """Have the folder's own entries on the disk. Systems that cannot do this do it by themselves."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in CANNOT_FLUSH:
            raise
    finally:
        os.close(handle)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder for this program alone. Raises UsageError when another one holds it.

    Temporary files of a program that died are cleared away: under the lock they belong to nobody.
    """
    try:
        handle = os.open(folder / ".lock", os.O_RDWR | os.O_CREAT | NO_LINK, 0o644)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be written ({error.strerror}): check the access rights") from error
    try:
        try:
            _lock(handle)
        except OSError as error:
            raise UsageError(f"{folder}: another pull is at work in this logbook: wait until it ends") from error
        for dead in folder.glob(TEMPORARY.format("*")):
            with contextlib.suppress(OSError):  # what cannot be cleared away does no harm
                dead.unlink(missing_ok=True)
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    if fcntl is not None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    else:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
