"""A directory written afresh at the start, so that nothing new is built upon cells that a power cut left half way.

littlefs keeps a directory as a log in one sector of a pair and looks at checks and at erased pages only when it reads
it. A page whose program was cut may read as right (or as erased) at one start and not at a later one; commits that were
appended behind it in between would then be gone with it. A full log is written into the other sector, just erased, and
goes on there: so fill it before anything is committed. It takes 16 pages of 256 bytes and at most two erases.
"""

from core.shim import const

_TIMES = const(8)  # making a file and removing it are two commits of one page or more; a sector has 16 pages


def renew(fs, name):
    """Write the directory's sectors in which `name` (of a file that is not there) would stand.

    False where the file system takes nothing; that is told by the first commit. An error is tried again: a cell half
    way may read differently the next time.
    """
    done = 0
    for _ in range(3 * _TIMES):
        try:
            fs.open(name, "wb").close()
            fs.remove(name)
        except OSError:
            continue
        done += 1
        if done == _TIMES:
            return True
    return False
