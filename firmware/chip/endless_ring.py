"""A ring in RAM that DMA fills for ever, without the processor: one channel carries, its partner starts it anew.

Position comes from the transfer count, never from the write address: that reads wrong while a ring is on (erratum
RP2040-E12).
"""

from array import array

import rp2
import uctypes

from chip import registers

# pyright: reportAttributeAccessIssue=false
# (the library's types lack a channel's number and count)


class EndlessRing:
    """Fills `memory` from the register at `source`, paced by the request number `dreq`.

    It holds `items` of 2**size_bits bytes, a power of two, and is aligned to its size. written() counts modulo `count`,
    a whole number of rings.
    Never collected: hold on to it, or the finalisers of its channels stop them.
    """

    def __init__(self, memory, items, size_bits, source, dreq):
        # A small integer on the board: reading the count then allocates nothing. RP2350 has 28 bits.
        self.count = (1 << 28) - items
        self._reload = array("I", [self.count])
        self._data, self._again = rp2.DMA(), rp2.DMA()
        restart = registers.DMA_BASE + registers.DMA_STRIDE * self._data.channel + registers.DMA_AL1_TRANS_COUNT_TRIG
        again = self._again.pack_ctrl(size=2, inc_read=False, inc_write=False, chain_to=self._again.channel)
        self._again.config(read=self._reload, write=restart, count=1, ctrl=again)
        bits = size_bits
        while 1 << bits < items << size_bits:
            bits += 1
        carry = self._data.pack_ctrl(
            size=size_bits,
            inc_read=False,
            inc_write=True,
            ring_size=bits,
            ring_sel=True,
            treq_sel=dreq,
            high_pri=True,
            chain_to=self._again.channel,
        )
        self._data.config(read=source, write=uctypes.addressof(memory), count=self.count, ctrl=carry, trigger=True)

    def written(self):
        """Items written since the start, modulo `count`. In the instant between end and restart it reads 0."""
        return (self.count - self._data.count) % self.count
