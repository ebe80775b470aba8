"""The board's file system on a PC.

MicroPython: littlefs on a file that holds the flash, block for block, mounted as the board mounts it. CPython: a folder
as root. Both write through, so killing the process is a power cut.
"""

import errno
import os
import sys

BLOCK = 4096
BLOCKS = 352  # what a board with 2 MB of flash has for files


if sys.implementation.name == "micropython":
    import vfs

    class _Flash:
        """Block device of the port's protocol: 4 count, 5 size, 6 erase."""

        def __init__(self, path):
            self._file = open(path, "r+b")
            self._erased = b"\xff" * BLOCK

        def readblocks(self, block, buf, offset=0):
            self._file.seek(block * BLOCK + offset)
            self._file.readinto(buf)

        def writeblocks(self, block, buf, offset=None):
            if offset is None:
                self.ioctl(6, block)
                offset = 0
            self._file.seek(block * BLOCK + offset)
            self._file.write(buf)

        def ioctl(self, operation, argument):
            if operation == 4:
                return BLOCKS
            if operation == 5:
                return BLOCK
            if operation == 6:
                self._file.seek(argument * BLOCK)
                self._file.write(self._erased)
            return 0

    def _new_image(path):
        """A flash as it leaves the factory: all ones, formatted at the first start."""
        with open(path, "wb") as file:
            erased = b"\xff" * BLOCK
            for _ in range(BLOCKS):
                file.write(erased)

    def mount(path):
        """The file system of that image; an image that is there is never formatted. OSError where it is damaged."""
        try:
            os.stat(path)
        except OSError:
            _new_image(path)
            vfs.VfsLfs2.mkfs(_Flash(path), progsize=256)
        return FlashFs(vfs.VfsLfs2(_Flash(path), progsize=256))

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

    def mount(path):
        return FlashFs(path)

    class _Bounded:
        """A file that fails as a full flash does."""

        def __init__(self, file, fs):
            self._file = file
            self._fs = fs
            for name in ("read", "readinto", "seek", "close", "flush"):
                setattr(self, name, getattr(file, name))

        def write(self, data):
            if self._fs.space()[2] * BLOCK < len(data):
                raise OSError(errno.ENOSPC, "no space")
            return self._file.write(data)

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self._file.close()

    class FlashFs:
        """A folder that holds no more than the flash would."""

        def __init__(self, root):
            self._root = root
            os.makedirs(root, exist_ok=True)

        def _path(self, name):
            return os.path.join(self._root, name)

        def open(self, name, mode):
            file = open(self._path(name), mode, buffering=0)
            return file if mode == "rb" else _Bounded(file, self)

        def remove(self, name):
            os.remove(self._path(name))

        def rename(self, old, new):
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
