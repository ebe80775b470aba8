"""Names that MicroPython's compiler knows by itself, for interpreters that do not.

One function body then serves as compiled code on the board and as plain Python on a PC. Viper code sees 32-bit
integers on the board and 64-bit ones on a PC, plain Python unlimited ones: a body that is to give the same everywhere
masks what it shifts right, never stores a negative number and keeps every value below 2**31.
"""

# pyright: reportAssignmentType=false
# (one name has two definitions here on purpose)

import sys

if sys.implementation.name == "micropython":
    import micropython
    from micropython import const
else:

    class micropython:  # noqa: N801  the decorator must be spelled `micropython.viper` for the board's compiler
        @staticmethod
        def viper(function):
            return function

        @staticmethod
        def native(function):
            return function

    def const(value):
        return value


def _same(value):
    return value


# In viper code these are types and casts, built into its compiler; elsewhere they stand in annotations and do nothing.
ptr8 = ptr16 = ptr32 = uint = _same
__all__ = ("const", "micropython", "ptr8", "ptr16", "ptr32", "uint")
