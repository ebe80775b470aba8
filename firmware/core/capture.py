"""From the stamper's ring to records: drains it, tells losses, keeps the anchors and the chatter guard fed.

The stamper is handed in. It offers `ring` (words), `clock_hz`, `cycles`, now() -> tick, and
  poll() -> words newly lost; sets `read`, `unread` (where to read and how many words) and `dropped` (words were
            dropped before the ring since the last poll);
  consumed(n) -> False where words among the n just read were being overwritten: they then are not consumed, and the
            next poll tells how many were lost.
"""

from core import records, ticks
from core.anchors import Anchors
from core.chatter import ChatterGuard
from core.shim import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from core.recorder import Recorder


RUN_MOST = const(512)  # words read in one run: some 4 ms


class Capture:
    """drain() does it all. `recorder` is set after construction, as it needs levels() for itself."""

    recorder: "Recorder"

    def __init__(self, stamper, channels, low_mask, chatter_limit):
        self.stamper = stamper
        self.clock_hz = stamper.clock_hz
        self.cycles = stamper.cycles
        self.channels = channels
        self.low_mask = low_mask
        self.unroller = ticks.Unroller(
            len(stamper.ring), channels, low_mask, stamper.clock_hz, stamper.cycles, chatter_limit
        )
        self.anchors = Anchors(stamper.clock_hz // stamper.cycles)
        self.chatter = ChatterGuard(self.unroller, self._chatter_group)
        self.ring_lost = 0
        self.fifo_drops = 0
        self.late = 0
        self._blind_from = None  # last tick seen before a loss whose end is still to come
        self._dropped = False  # words were dropped among those now unread
        self._epoch_known = True
        self._stated = False  # the boot statement was written

    def now(self):
        return self.stamper.now()

    def levels(self):
        return self.unroller.levels()

    def edges(self):
        """Edges of each channel 0..6 since boot."""
        return [self.unroller.edges(channel) for channel in range(7)]

    def still_s(self):
        """Seconds since each channel 0..6 last changed, one decimal; None where it never did."""
        now = self.now()
        found = []
        for channel in range(7):
            tick = self.unroller.last_change(channel)
            found.append(None if tick is None else max(0, now - tick) * 10 // self.anchors.nominal / 10)
        return found

    def drain(self, stop_at_fall=False):
        """Read all words that are there now.

        True where it came back early because SECOND fell: that fall's tick is anchors.tick().
        """
        s = self.unroller.s
        s[ticks.STOP_AT_FALL] = 1 if stop_at_fall else 0
        left = None  # of the words that were there at the first look: what comes in meanwhile is for the next pass
        while True:
            lost = self._poll()
            if not s[ticks.UNREAD]:
                if self._dropped and self._epoch_known:
                    self._state_after_drop()
                return False
            left = self.stamper.unread if left is None else left - lost
            if left <= 0:
                return False
            before = s[ticks.UNREAD]
            reason = self._unroll()
            left -= before - s[ticks.UNREAD]
            if reason == ticks.FELL and stop_at_fall:
                return True
            if reason == ticks.FULL:
                self.recorder.commit()
            elif reason == ticks.SECOND_OVER:
                self.chatter.close_second()
            elif reason == ticks.STATED:
                self._after_stated()

    def _poll(self):
        s, stamper = self.unroller.s, self.stamper
        lost = stamper.poll()
        s[ticks.READ] = stamper.read
        s[ticks.UNREAD] = stamper.unread
        if lost or stamper.dropped:
            if self._blind_from is None:
                self._blind_from = self.unroller.tick()
            self._epoch_known = False
        if stamper.dropped:
            self.fifo_drops += 1
            self._dropped = True
        if lost:
            self.ring_lost += lost
            self.chatter.cut(self.unroller.tick())
            s[ticks.FRESH] = 1
        if not self._epoch_known and s[ticks.UNREAD]:
            self.unroller.find_epoch(stamper.ring, stamper.now())
            self._epoch_known = True
        # Few at a time: where the ring is nearly full, they have to be read before they are written over.
        s[ticks.UNREAD] = min(s[ticks.UNREAD], RUN_MOST)
        return lost

    def _unroll(self):
        """One run of the compiled part; returns its reason."""
        unroller, recorder = self.unroller, self.recorder
        s, block = unroller.s, recorder.block
        at = block.at()
        s[ticks.OUT_AT] = at
        s[ticks.OUT_END] = at + records.SIZE * recorder.room()
        unread = s[ticks.UNREAD]
        unroller.save()
        reason = ticks.unroll(self.stamper.ring, s, block.buf, unroller.falls)
        if not self.stamper.consumed(unread - s[ticks.UNREAD]):
            unroller.restore()
            self.late += 1
            return ticks.EMPTY
        recorder.filled((s[ticks.OUT_AT] - at) // records.SIZE, unroller.tick())
        falls = unroller.falls
        for i in range(unroller.take_falls()):
            self.anchors.fall(falls[2 * i], falls[2 * i + 1])
        return reason

    def _after_stated(self):
        if not self._stated:
            self._stated = True
            self.recorder.statement()
        elif self._blind_from is not None:
            self._say_blind()

    def _say_blind(self):
        values = (
            (records.RING_LOST, self.ring_lost, 0),
            (records.FIFO_DROPS, self.fifo_drops, 0),
            (records.BLIND_FROM, self._blind_from, 0),
        )
        self._blind_from = None
        self.recorder.moment(self.unroller.tick(), values)

    def _state_after_drop(self):
        """Words were dropped somewhere among those just read: blind from before them to here."""
        self._dropped = False
        if self._blind_from is None:
            self._blind_from = self.recorder.top
        self.recorder.group(self.unroller.tick(), records.LEVELS, self.levels(), ())
        self._say_blind()

    def _chatter_group(self, tick, values):
        self.recorder.moment(tick, values, backward=True)
