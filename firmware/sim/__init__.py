"""The board without a board: the same part names as chip/, driven by a scene. For MicroPython on a PC and CPython."""
