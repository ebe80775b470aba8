"""CRC-32 of a whole from those of its parts, so that bytes are gone over once only.

The register is linear over GF(2): crc(A + B) = Z(crc(A)) ^ crc(B), where Z carries a register over as many zero bytes
as B has. Z of a number is the sum of Z of its bits, and those stand in a table for one length of B.
"""
# pyright: reportInvalidTypeForm=false
# (the types in viper signatures are its compiler's own)

import binascii
from array import array

from core.shim import micropython, ptr32, uint


def table(n):
    """Z of each of the 32 bits for n bytes, for carried()."""
    zeros = bytes(n)
    none = binascii.crc32(zeros)
    return array("I", [binascii.crc32(zeros, 1 << bit) ^ none for bit in range(32)])


@micropython.viper
def carried(check: uint, bits: ptr32) -> uint:
    """Z of `check`, by a table. Unsigned throughout, so that a shift to the right brings in zeros."""
    out = uint(0)
    for bit in range(32):
        if check & 1:
            out ^= uint(bits[bit])
        check >>= 1
    return out
