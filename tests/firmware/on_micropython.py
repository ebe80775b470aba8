"""Runs the test functions of one file under MicroPython: on_micropython.py ROOT FILE.

Prints `ok NAME` or `FAILED NAME` and a traceback for each, and `done N`.
"""

import sys


def run(root, name):
    sys.path[:0] = [root + "/firmware", root + "/tests/firmware"]
    module = __import__(name)
    names = sorted(n for n in dir(module) if n.startswith("test_"))
    for test in names:
        try:
            getattr(module, test)()
        except Exception as error:
            print("FAILED", test)
            sys.print_exception(error, sys.stdout)
        else:
            print("ok", test)
    print("done", len(names))


run(sys.argv[1], sys.argv[2])
