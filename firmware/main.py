"""First file that the board runs: time to stop it, a way out after bad starts, then logging.

Nothing here may fail: whatever goes wrong below ends at the prompt or in a counted restart.
"""

import os
import sys
import time

CRASH_FILE = "/crash.txt"  # first line: starts in a row that ended with an error; then the last error
OLDEST = (1, 28, 0)  # before it a soft reset left DMA channels running into freed memory


def crashes():
    try:
        with open(CRASH_FILE) as file:
            return int(file.readline())
    except (OSError, ValueError):
        return 0


def forget_crashes():
    try:
        os.remove(CRASH_FILE)
    except OSError:
        pass


def note_crash(error, count):
    with open(CRASH_FILE, "w") as file:
        file.write("%d\n" % count)
        sys.print_exception(error, file)


def why_not(hold):
    """A line that says why the board does not log, or None."""
    import machine
    import wiring

    if tuple(sys.implementation.version[:3]) < OLDEST:
        return "duskgate: MicroPython %d.%d or newer is needed: put it on the board, then load again" % OLDEST[:2]
    if hold:
        return "duskgate: held for maintenance; machine.reset() logs again"
    if not machine.Pin(wiring.HOLD, machine.Pin.IN, machine.Pin.PULL_UP).value():
        return "duskgate: the hold pin is at ground: open it and restart"
    if crashes() >= wiring.CRASHES:
        return "duskgate: %d starts failed, see %s; remove it and restart" % (crashes(), CRASH_FILE)
    return None


def main():
    from chip import reset

    cause, hold = reset.take()
    reason = why_not(hold)
    if reason:
        print(reason)
        return
    import wiring

    time.sleep_ms(wiring.GRACE_MS)  # Ctrl-C ends it here
    count = crashes()
    try:
        import board

        how = board.run(cause, count, forget_crashes)
    except Exception as error:  # KeyboardInterrupt is none: it leads to the prompt
        note_crash(error, count + 1)
        reset.restart(reset.FAULT)
    forget_crashes()
    reset.restart(reset.ASKED, how == "hold")


if __name__ == "__main__":
    main()
