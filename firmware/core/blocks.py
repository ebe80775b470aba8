"""One block of records being filled, in a buffer made once (FORMAT.md section 3)."""

import binascii
import struct

from core import records
from core.shim import const
from core.version import LOG_VERSION

MAGIC = b"\xd6\x44\x47\x0a"
HEADER = const(24)
MOST = const(508)  # 24 + 8 * 508 = 4088: a block never needs more than one flash sector of 4096 bytes
_CHECKED = const(20)  # header bytes under the check
_LAYOUT = "<4sBBHIIII"


class Block:
    """Records wait here. `buf` may be filled from outside (the tick unrolling does): then set `n` afterwards.

    Nothing but `put` and `seal` touches the bytes; a sealed view is valid until the next `put`.
    """

    def __init__(self, most=MOST):
        self.most = most
        self.buf = bytearray(HEADER + records.SIZE * most)
        self._view = memoryview(self.buf)
        self.n = 0

    def at(self):
        """Byte at which the next record goes."""
        return HEADER + records.SIZE * self.n

    def put(self, number, tag, extra):
        """Append a record. The caller has asked for room before: a full block raises ValueError."""
        if self.n >= self.most:
            raise ValueError("block full")
        records.put(self.buf, HEADER + records.SIZE * self.n, number, tag, extra)
        self.n += 1

    def put_packed(self, packed):
        """Append records that are packed already. The caller has asked for room before."""
        at = self.at()
        self.buf[at : at + len(packed)] = packed
        self.n += len(packed) // records.SIZE

    def seal(self, boot_id, boot_no, sequence):
        """Write header and check; returns the block's bytes as a memoryview."""
        view = self._view
        end = HEADER + records.SIZE * self.n
        struct.pack_into(_LAYOUT, self.buf, 0, MAGIC, LOG_VERSION, HEADER, self.n, boot_id, boot_no, sequence, 0)
        check = binascii.crc32(view[HEADER:end], binascii.crc32(view[:_CHECKED]))
        struct.pack_into("<I", self.buf, _CHECKED, check)
        return view[:end]


def parse_header(buf, at=0):
    """Header at byte `at`: (n records, boot id, boot number, sequence), or None where no sound header stands.

    The check over the records is not looked at: this serves walking along a segment at boot.
    """
    magic, version, header, n, boot_id, boot_no, sequence, _ = struct.unpack_from(_LAYOUT, buf, at)
    if magic != MAGIC or version != LOG_VERSION or header != HEADER or not 1 <= n <= MOST:
        return None
    return n, boot_id, boot_no, sequence
