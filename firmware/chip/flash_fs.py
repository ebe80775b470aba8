"""The board's own file system, as core/store.py wants it. MicroPython has mounted it at the root."""

import os


class FlashFs:
    def open(self, name, mode):
        return open("/" + name, mode)

    def remove(self, name):
        os.remove("/" + name)

    def rename(self, old, new):
        os.rename("/" + old, "/" + new)

    def mkdir(self, name):
        os.mkdir("/" + name)

    def listdir(self, folder):
        return os.listdir("/" + folder)

    def size(self, name):
        return os.stat("/" + name)[6]

    def space(self):
        """(bytes of a block, blocks, free blocks). Walks the whole file system: not in a loop."""
        facts = os.statvfs("/")
        return facts[0], facts[2], facts[3]
