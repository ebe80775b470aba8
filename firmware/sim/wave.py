"""The clock chip's own time and its 1 Hz wave: falls when a second begins, rises half a second later.

The scene says about once a minute which second begins at which board time; between these points time runs evenly,
before the first and behind the last at the rate of the neighbouring span. Setting the chip shifts its time and restarts
the wave.
"""

from sim import scene


class Wave:
    """Half seconds one after the other: `next_tick` is the tick of the next change, `fell` whether it is a fall.

    to_tick(t_ns): board time to ticks since boot.
    """

    def __init__(self, path, to_tick, start_tick):
        self._points = scene.Events(path)
        self._to_tick = to_tick
        self._shift_us = 0  # the chip's time less the scene's
        first, second = self._point(), self._point()
        if first is None:
            self.next_tick = scene.NEVER
            self.half = 0
            self.ever = False
            return
        self.ever = True
        if second is None:
            second = (self._to_tick(first[2] + 1000000000), first[1] + 1000000, 0)
        self._from, self._to = first, second
        self._after = self._point()
        self._seek(start_tick)

    def _point(self):
        """Next point as (tick, chip time in us, t_ns), or None."""
        points = self._points
        while points.t_ns != scene.NEVER:
            t_ns, what, value = points.t_ns, points.what, points.value
            points.next()
            if what == scene.CLOCK_SECOND:
                return self._to_tick(t_ns), value * 1000000, t_ns
        return None

    def _seek(self, tick):
        """Make `next_tick` the first change behind `tick`."""
        while self._after is not None and tick >= self._to[0]:
            self._from, self._to, self._after = self._to, self._after, self._point()
        start, end = self._from, self._to
        time_us = start[1] + (tick - start[0]) * (end[1] - start[1]) // (end[0] - start[0])
        self.half = (time_us + self._shift_us) // 500000 - 2
        self.next_tick = self.tick_before = tick
        while self.next_tick <= tick:
            self.step()

    def step(self):
        """Go to the next change. `half` counts half seconds of the chip's time; even ones are falls."""
        self.tick_before = self.next_tick
        self.half += 1
        time_us = self.half * 500000 - self._shift_us
        if time_us >= self._to[1] and self._after is not None:
            self._from, self._to, self._after = self._to, self._after, self._point()
        start, end = self._from, self._to
        self.next_tick = start[0] + (time_us - start[1]) * (end[0] - start[0]) // (end[1] - start[1])

    def high(self):
        """Level now, just before the next change."""
        return not self.half & 1

    def second(self):
        """The chip's second now."""
        return (self.half - 1) // 2

    def set(self, second, tick):
        """Write the seconds register at `tick`: that second begins here."""
        start, end = self._from, self._to
        time_us = start[1] + (tick - start[0]) * (end[1] - start[1]) // (end[0] - start[0])
        self._shift_us = second * 1000000 - time_us
        self.half = 2 * second
        self.tick_before = tick
        self.next_tick = tick
        self.step()
