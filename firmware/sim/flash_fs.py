"""The board's file system on a PC.

MicroPython: littlefs on a file that holds the flash, block for block, mounted as the board mounts it. CPython: a folder
as root. Both write through, so killing the process is a power cut.

A flash that is not well: `Faults`, below littlefs as on a chip. A folder has no blocks to be bad.
"""

import errno
import os
import sys

BLOCK = 4096
BLOCKS = 352  # what a board with 2 MB of flash has for files
EROFS = 30


class Faults:
    """bad: numbers of blocks on which nothing sticks. read_only: every write and erase is refused. erased() is called
    after each erase (a folder: after each commit), so that it can take its time."""

    def __init__(self, bad=(), read_only=False):
        self.bad = bad
        self.read_only = read_only
        self.erased = lambda: None

    def folder_write(self):
        if self.read_only:
            raise OSError(EROFS, "read-only")


if sys.implementation.name == "micropython":
    import vfs

    class _Flash:
        """Block device of the port's protocol: 4 count, 5 size, 6 erase."""

        def __init__(self, path, faults):
            self._file = open(path, "r+b")
            self._erased = b"\xff" * BLOCK
            self._faults = faults

        def readblocks(self, block, buf, offset=0):
            self._file.seek(block * BLOCK + offset)
            self._file.readinto(buf)

        def writeblocks(self, block, buf, offset=None):
            # littlefs takes a negative number; an exception would leave its lists of open files in pieces
            if self._faults.read_only:
                return -EROFS
            if offset is None:
                self.ioctl(6, block)
                offset = 0
            if block in self._faults.bad:
                return 0
            self._file.seek(block * BLOCK + offset)
            self._file.write(buf)
            return 0

        def ioctl(self, operation, argument):
            if operation == 4:
                return BLOCKS
            if operation == 5:
                return BLOCK
            if operation == 6:
                if self._faults.read_only:
                    return -EROFS
                if argument not in self._faults.bad:
                    self._file.seek(argument * BLOCK)
                    self._file.write(self._erased)
                self._faults.erased()
            return 0

    def _new_image(path):
        """A flash as it leaves the factory: all ones, formatted at the first start."""
        with open(path, "wb") as file:
            erased = b"\xff" * BLOCK
            for _ in range(BLOCKS):
                file.write(erased)

    def mount(path, faults=None):
        """The file system of that image; an image that is there is never formatted. OSError where it is damaged."""
        try:
            os.stat(path)
        except OSError:
            _new_image(path)
            vfs.VfsLfs2.mkfs(_Flash(path, Faults()), progsize=256)
        return FlashFs(vfs.VfsLfs2(_Flash(path, faults or Faults()), progsize=256))

    class FlashFs:
        def __init__(self, files):
            self._files = files
            self.open = files.open
            self.remove = files.remove
            self.rename = files.rename
            self.mkdir = files.mkdir

        def listdir(self, folder):
            return [entry[0] for entry in self._files.ilistdir(folder)]

        def size(self, name):
            return self._files.stat(name)[6]

        def space(self):
            facts = self._files.statvfs("/")
            return facts[0], facts[2], facts[3]

else:

    def mount(path, faults=None):
        return FlashFs(path, faults or Faults())

    class _Bounded:
        """A file that fails as a full flash does, or one that cannot be written."""

        def __init__(self, file, fs):
            self._file = file
            self._fs = fs
            for name in ("read", "readinto", "seek", "close"):
                setattr(self, name, getattr(file, name))

        def flush(self):
            self._file.flush()
            self._fs.faults.erased()

        def write(self, data):
            self._fs.faults.folder_write()
            if self._fs.space()[2] * BLOCK < len(data):
                raise OSError(errno.ENOSPC, "no space")
            return self._file.write(data)

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self._file.close()

    class FlashFs:
        """A folder that holds no more than the flash would."""

        def __init__(self, root, faults):
            self._root = root
            self.faults = faults
            os.makedirs(root, exist_ok=True)

        def _path(self, name):
            return os.path.join(self._root, name)

        def open(self, name, mode):
            file = open(self._path(name), mode, buffering=0)
            return file if mode == "rb" else _Bounded(file, self)

        def remove(self, name):
            self.faults.folder_write()
            os.remove(self._path(name))

        def rename(self, old, new):
            self.faults.folder_write()
            os.replace(self._path(old), self._path(new))

        def mkdir(self, name):
            os.mkdir(self._path(name))

        def listdir(self, folder):
            return os.listdir(self._path(folder))

        def size(self, name):
            return os.stat(self._path(name)).st_size

        def space(self):
            used = 4  # two pairs of metadata blocks
            for folder, _, names in os.walk(self._root):
                used += sum((os.path.getsize(os.path.join(folder, name)) + BLOCK - 1) // BLOCK for name in names)
            return BLOCK, BLOCKS, max(0, BLOCKS - used)
