"""Groups of records into blocks, blocks into the store. Owns the block being filled and the sequence numbers."""

from core import blocks, records, store
from core.shim import const

_STATEMENT = const(24)  # records in a restated boot statement at most
KEPT = const(512)  # newest records kept in RAM for looking on
_KEPT_BYTES = const(4096)


class Recorder:
    """Nothing else writes records, but for the tick unrolling, which fills `block.buf` and calls filled().

    facts: values of the boot statement as (tag, value, index) in their order; levels(): wire levels now.
    `top` is the highest tick of a stamped record so far; a group stamped earlier is moved up to it.
    """

    def __init__(self, log_store, policy, boot_id, boot_no, facts, levels, before_commit=None, after_commit=None):
        self.store = log_store
        self.policy = policy
        self.boot_id = boot_id
        self.boot_no = boot_no
        self.block = blocks.Block()
        self._restated = blocks.Block(_STATEMENT)
        self._facts = facts
        self._levels = levels
        self._before_commit = before_commit
        self._after_commit = after_commit
        self._stated = False  # the segment that grows holds this boot's statement
        self._statement_waits = False  # ... or the block being filled does
        self._kept = bytearray(_KEPT_BYTES)  # a ring of the records of blocks that are no longer waiting
        self._seen = bytearray(_KEPT_BYTES)  # where recent() copies them to
        self.sequence = 0
        self.top = 0
        self._committed_top = 0
        self._committed_levels = 0
        self.records = 0  # records handed to blocks since boot
        self.lost = 0  # records that could not be stored
        self.stored_bytes = 0

    def room(self):
        """Records that fit before a commit is due."""
        return max(0, self.policy.records - self.block.n)

    def filled(self, n, top):
        """The unrolling wrote `n` stamped records behind the block's last one; `top`: tick of the last word."""
        self.block.n += n
        self.records += n
        self.top = max(self.top, top)

    def statement(self):
        """Append the boot statement's values to the levels record just written."""
        for tag, value, index in self._facts:
            self.block.put(value, tag, index)
        self.records += len(self._facts)
        self._statement_waits = True

    def group(self, tick, tag, payload, values, backward=False):
        """A stamped record and its values, never torn apart. Returns the tick it got.

        backward: allowed to lie before records already written (chatter summary, host clock).
        """
        if self.block.n + 1 + len(values) > self.block.most:
            self.commit()
        if not backward:
            tick = self.top = max(tick, self.top)
        self.block.put(tick, tag, payload)
        for value_tag, value, index in values:
            self.block.put(value, value_tag, index)
        self.records += 1 + len(values)
        return tick

    def moment(self, tick, values, backward=False):
        return self.group(tick, records.MOMENT, 0, values, backward)

    def chain(self, tick, values, packed):
        """A moment with values and packed value records; it may lie before records already written. Bytes of it."""
        n = 1 + len(values) + len(packed) // records.SIZE
        if self.block.n + n > self.block.most:
            self.commit()
        self.block.put(tick, records.MOMENT, 0)
        for value_tag, value, index in values:
            self.block.put(value, value_tag, index)
        self.block.put_packed(packed)
        self.records += n
        return records.SIZE * n

    def commit(self):
        """Write what waits. Returns False where it could not be stored: it is then counted as lost."""
        block = self.block
        if not block.n:
            return True
        if self._before_commit:
            self._before_commit()
        parts = ()
        if not self._statement_waits and (self.store.begins_segment(block.at()) or not self._stated):
            parts = (self._restate(),)
        parts += (self._seal(block),)
        safe = self.store.append(parts)
        if safe:
            self._stated = True
            self.stored_bytes += sum(len(part) for part in parts)
        else:
            self.lost += block.n
            if self.store.status == store.FULL and self.store.growing is not None:
                self._end_full_store()
        self._keep()
        self._statement_waits = False
        self._committed_top = self.top
        self._committed_levels = self._levels()
        block.n = 0
        if self._after_commit:
            self._after_commit()
        return safe

    def _keep(self):
        """Copy the block's records into the ring of the newest ones; record k stands at 8 * (k % KEPT)."""
        n = min(self.block.n, KEPT)
        at = (self.records - n) % KEPT
        source = memoryview(self.block.buf)[self.block.at() - records.SIZE * n : self.block.at()]
        first = min(n, KEPT - at) * records.SIZE
        at *= records.SIZE
        self._kept[at : at + first] = source[:first]
        self._kept[: len(source) - first] = source[first:]

    def recent(self, first):
        """(bytes, first, next): the newest records from running number `first` on, at most 512 of them.

        The bytes are valid until the next call.
        """
        last = self.records
        waiting = last - self.block.n  # number of the first record in the block
        first = min(max(first, last - KEPT, 0), last)
        seen = memoryview(self._seen)[: records.SIZE * (last - first)]
        for number in range(first, last):
            to = records.SIZE * (number - first)
            if number < waiting:
                at, source = records.SIZE * (number % KEPT), self._kept
            else:
                at, source = self.block.at() - records.SIZE * (last - number), self.block.buf
            seen[to : to + records.SIZE] = memoryview(source)[at : at + records.SIZE]
        return seen, first, last

    def _end_full_store(self):
        """Say in the log that logging ends because the store is full and kept, if the growing segment has room."""
        block = self._restated
        block.n = 0
        block.put(self.top, records.MOMENT, 0)
        block.put(records.STOP_STORE_FULL, records.STOP, 0)
        if self._stated and not self.store.begins_segment(block.at()):
            self.store.append((self._seal(block),))
        self.store.stop_growing()

    def _seal(self, block):
        view = block.seal(self.boot_id, self.boot_no, self.sequence)
        self.sequence += 1
        return view

    def _restate(self):
        """A block that repeats the boot statement, as the first of a segment.

        It stands between the block committed before and the one that waits, with the tick and levels of that moment.
        """
        block = self._restated
        block.n = 0
        block.put(self._committed_top, records.LEVELS, self._committed_levels)
        block.put(1, records.RESTATED, 0)
        for tag, value, index in self._facts:
            block.put(value, tag, index)
        return self._seal(block)
