"""Numbers of faults (tag 78) and what they say. A number once given keeps its meaning for ever."""

SETTINGS_CHECK = 1  # settings file with a wrong check: all defaults hold
SETTINGS_VALUE = 2  # a line of the settings file is unknown or out of bounds; detail: line number
RTC = 3  # the clock chip does not answer
SUPPLY = 4  # the supply cannot be measured
BUTTON = 5
LAMP = 6
LINK = 7  # the link failed while an answer was given
STORE = 8  # a commit failed; detail: error number of the file system
STORE_FULL = 9  # no room and nothing that may be dropped
SEGMENT_TAIL = 10  # the newest segment did not end with a whole block; detail: its number
STAMPER_SILENT = 11  # no word from the stamper for longer than two counter periods
PROGRAM = 12  # the program before this boot ended with an error; detail: crashes in a row
CLOCK_JUMPED = 13  # the clock chip's second is not what counting its wave gave
WATCHDOG = 14
CHANNEL = 15  # an input looked unwired at boot; detail: bit mask
SHOT = 17
STAMPER_LATE = 16  # words were overtaken while being read
# What core/inputs.py finds, by behaviour; detail: bit mask of the channels. Hosts word these.
INPUT_NEW = 18  # active since the start, nearly without a pause
INPUT_LONG = 19  # a beam that worked and is broken for long
INPUT_TWINS = 20  # channels whose every change coincides
INPUT_HUM = 21  # changes at the rate of mains; detail, bits 8..15: Hz
INPUT_CHATTER = 22
INPUT_SILENT = 23  # never changed, while a light sensor saw many lights
PULSE = 24  # the converter for light pulses

TEXT = {
    SETTINGS_CHECK: "settings file damaged, defaults hold",
    SETTINGS_VALUE: "a setting was unknown or out of bounds, its default holds",
    RTC: "clock chip does not answer",
    SUPPLY: "supply voltage cannot be measured",
    BUTTON: "button failed",
    LAMP: "lamp failed",
    LINK: "link failed in an answer",
    STORE: "writing to the store failed",
    STORE_FULL: "store full, edges are not being kept",
    SEGMENT_TAIL: "newest segment had a torn end, a new one was begun",
    STAMPER_SILENT: "edge stamper is silent",
    PROGRAM: "program ended with an error before this start",
    CLOCK_JUMPED: "clock chip jumped",
    WATCHDOG: "watchdog failed",
    CHANNEL: "an input looks unwired",
    SHOT: "the contact that fires the rig failed",
    STAMPER_LATE: "words were overtaken while being read",
    PULSE: "light pulses are not watched any more",
}


class FaultList:
    """The faults since boot, newest last: at most `most` kept for the link, each kind recorded once an hour.

    `waiting` holds (number, detail) not yet written to the log; the station takes them out.
    """

    def __init__(self, most=8):
        self.most = most
        self.lines = []
        self.waiting = []
        self._last_ms = {}

    def add(self, number, detail, now_ms, write=True):
        """Note a fault, where it is news: not seen in the hour before. write: it waits for the log."""
        last = self._last_ms.get(number)
        if last is not None and now_ms - last < 3600000:
            return
        self._last_ms[number] = now_ms
        line = TEXT[number] + (" (%d)" % detail if detail else "")
        if line in self.lines:
            self.lines.remove(line)  # told again after an hour: once is enough for the link
        self.lines.append(line)
        del self.lines[: -self.most]
        if write:
            self.waiting.append((number, detail))
