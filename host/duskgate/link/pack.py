"""A load as one packed file: it fits beside the old firmware in a full store, and the board itself puts it in place.

A file system gives each file blocks of its own, so that the new files one by one need twice the room that they need in
one pack, compressed. Pack: for each file a line `name size`, then its bytes; all of it in zlib format (RFC 1950) where
the board can inflate.
"""

import hashlib
import zlib
from collections.abc import Iterable

WINDOW_BITS = 15  # 32 kB of the board's memory while it inflates; nothing else runs then
PREFIX, NEW = "load-", ".new"
MAIN, MAIN_NEW, PART, FINISHER = "main.py", "main.new", "part.new", "finish.new"
FRESH = ["/part.new", "/core/part.new", "/chip/part.new"]
RESERVE = 3  # blocks: a file system's own bookkeeping while files are exchanged
FOLDER_BYTES = 2048  # small files that fit a folder's pair of blocks with room to change them

# main.py while the files are exchanged. It may be cut anywhere and begun again: the pack stays until all is in place,
# and main.py itself comes last. The folders are written afresh first (firmware/core/renew.py says why): a page that a
# cut left half way may read as right today and not tomorrow. Old files go first: their room is needed, and where both
# are there MicroPython takes a .py before its .mpy (its manual, "MicroPython .mpy files").
FINISH = """# Duskgate: puts a loaded firmware in place. If you can read this, the load was cut: restart the board.
import os
def remove(name):
    try:
        os.remove("/" + name)
    except OSError:
        pass
def renew(name):
    for _ in range(8):
        try:
            open(name, "wb").close()
        except OSError:
            return
        remove(name[1:])
def unpack(file):
    buffer = memoryview(bytearray(512))
    line = file.readline()
    while line:
        name, left = line.decode().split()
        left = int(left)
        with open("/{part}", "wb") as out:
            while left:
                n = file.readinto(buffer[:min(left, 512)])
                if not n:
                    raise OSError("the pack ends too soon")
                out.write(buffer[:n])
                left -= n
        os.rename("/{part}", "/" + name)
        if __name__ != "__main__":
            print(".")
        line = file.readline()
try:
    pack = open("/{pack}", "rb")
except OSError:
    pack = None
if pack:
    for name in {fresh!r}:
        renew(name)
    for name in {gone!r}:
        remove(name)
    {reader}
    pack.close()
    remove("{pack}")
os.rename("/{main_new}", "/main.py")
if __name__ == "__main__":
    import machine
    machine.reset()
"""
INFLATE = "import deflate\n    unpack(deflate.DeflateIO(pack, deflate.ZLIB))"
AS_IT_IS = "unpack(pack)"


def make(files: dict[str, bytes], inflates: bool) -> bytes:
    """The pack of `files`, the same bytes for the same files. `inflates`: whether the board can."""
    parts = []
    for name, data in files.items():
        parts += [f"{MAIN_NEW if name == MAIN else name} {len(data)}\n".encode(), data]
    if not inflates:
        return b"".join(parts)
    packer = zlib.compressobj(9, zlib.DEFLATED, WINDOW_BITS)
    return packer.compress(b"".join(parts)) + packer.flush()


def name_of(pack: bytes) -> str:
    """Its name on the board: another pack has another name, so none is ever written over one that is being used."""
    return f"{PREFIX}{hashlib.sha256(pack).hexdigest()[:8]}{NEW}"


def finisher(name: str, gone: list[str], inflates: bool) -> bytes:
    """Text of the main.py that puts the pack `name` in place after it took the files `gone` away."""
    reader = INFLATE if inflates else AS_IT_IS
    return FINISH.format(fresh=FRESH, pack=name, gone=gone, reader=reader, part=PART, main_new=MAIN_NEW).encode()


def data_blocks(size: int, block: int) -> int:
    """Blocks that a file takes for itself: none where littlefs keeps it in its folder's blocks (up to an eighth)."""
    return 0 if size <= block // 8 else -(-size // (block - 8))


def blocks_needed(pack_left: int, new: Iterable[int], old: Iterable[int], block: int) -> int:
    """Blocks that have to be free for a load.

    pack_left: bytes still to send; new: sizes of the files to write; old: of those they replace and those removed.
    """
    new, old = list(new), list(old)
    grown = sum(data_blocks(n, block) for n in new) - sum(data_blocks(n, block) for n in old)
    inline = sum(n for n in new if not data_blocks(n, block)) - sum(n for n in old if not data_blocks(n, block))
    grown += 2 * -(-max(0, inline) // FOLDER_BYTES)
    beside = -(-pack_left // (block - 8)) + 1  # the pack and the finisher
    return beside + max((data_blocks(n, block) for n in new), default=0) + RESERVE + max(0, grown)
