"""A load on a real littlefs on flash in RAM, and power cuts at its erases and programs. Runs under MicroPython.

Arguments: folder of tests/firmware, file with the case: {"old", "new": {name: bytes}, "name", "pack", "finisher",
"free": free blocks before the load, "every": a cut at each so many changes of the flash, "again": changes until the
next cut}. Prints one line for each trial.
"""
# pyright: reportMissingImports=false

import gc
import os
import sys

import vfs

sys.path.append(sys.argv[1])

import helpers

PIECE = 8192
BLOCK = 4096


def write(name, data, mode="wb"):
    with open("/" + name, mode) as file:
        file.write(data)


def read(name):
    with open("/" + name, "rb") as file:
        return file.read()


def free():
    return os.statvfs("/")[3]


def mount(flash):
    """Kept by the caller: a file that a power cut left open is closed when it is collected, and needs its system."""
    system = vfs.VfsLfs2(flash, progsize=256)
    vfs.mount(system, "/")
    return system


def store_with(files, left):
    """Content of a flash that holds the files, and a log that leaves so many blocks."""
    flash = helpers.RamFlash()
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    mount(flash)
    for folder in ("core", "chip", "log"):
        os.mkdir("/" + folder)
    for name, data in files.items():
        write(name, data)
    number = 0
    while free() > left:
        number += 1
        write(f"log/{number:08d}.seg", bytes(min(32724, (free() - left) * (BLOCK - 8))))
    found = free()
    vfs.umount("/")
    return flash.data, found


def load(case):
    for at in range(0, len(case["pack"]), PIECE):
        write(case["name"], case["pack"][at : at + PIECE], "ab" if at else "wb")
    write("finish.new", case["finisher"])
    os.rename("/finish.new", "/main.py")
    finish()


def finish():
    exec(read("main.py").decode(), {"__name__": "start", "print": print})


def start():
    if read("main.py").startswith(b"# Duskgate: puts"):
        finish()


def run(data, what, changes, stay=False):
    """(whether the power went, content of the flash) after `what` with power for so many changes of the flash."""
    flash = helpers.RamFlash(data=bytearray(data))
    system = mount(flash)
    flash.changes_left = changes
    try:
        what()
    except OSError:
        if not flash.dead:
            raise
    if not stay:
        vfs.umount("/")
    gc.collect()
    del system
    return flash.dead, flash.data


def ours(names):
    return {name for name in names if not name.startswith("log/") and not name.endswith(".new")}


def listed():
    names = set()
    for folder in ("", "core/", "chip/", "log/"):
        names |= {folder + row[0] for row in os.ilistdir("/" + folder.rstrip("/")) if row[1] == 0x8000}
    return names


def is_whole(files):
    return ours(listed()) == set(files) and all(read(name) == data for name, data in files.items())


def trial(case, data, log, cut):
    """What is there after a load that loses its power at change `cut` (None: it does not), a start that loses it after
    `again` more, and a start that does not."""
    died, data = run(data, lambda: load(case), cut)
    if died:
        _, data = run(data, start, case["again"])
    run(data, start, None, stay=True)
    state = "new" if is_whole(case["new"]) else "old" if is_whole(case["old"]) else "broken"
    kept = sum(os.stat("/" + name)[6] for name in listed() if name.startswith("log/"))
    left = free()
    vfs.umount("/")
    return died, state, kept == log, left


def main():
    with open(sys.argv[2]) as file:
        case = eval(file.read())
    vfs.umount("/")
    data, found = store_with(case["old"], case["free"])
    print("free", found)
    mount(helpers.RamFlash(data=bytearray(data)))
    log = sum(os.stat("/" + name)[6] for name in listed() if name.startswith("log/"))
    vfs.umount("/")
    print("whole", *trial(case, data, log, None))
    cut = 0
    while True:
        died, state, logged, _ = trial(case, data, log, cut)
        if not died:
            break
        print("cut", cut, state, logged)
        cut += case["every"]


main()
