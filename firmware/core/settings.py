"""Settings that stay over a restart: names, bounds, defaults, and the file that keeps them (FORMAT.md section 4.1)."""

import binascii

from core import faults
from core.renew import renew

FILE = "settings.txt"
NEW_FILE = "settings.new"
MOST_BYTES = 1024

# name: (least, most, default, when a change holds: "now" or "start")
KNOWN = {
    "channels": (1, 255, 255, "start"),  # bit mask of the inputs in use; bit 7 is SECOND
    "low_mask": (0, 127, 127, "start"),  # inputs that are active when the wire is low
    "chatter_limit": (0, 100000, 200, "now"),  # edges a second and channel stored one by one, 0 = no limit
    "commit_s": (1, 60, 10, "now"),  # longest wait of a record for its commit
    "drop_unpulled": (0, 1, 0, "now"),  # 1: overwrite the oldest night rather than stop when the store is full
    "pulse_kb": (0, 1000, 64, "now"),  # thousand bytes of light pulses kept in a night, 0 = none are watched
    "stop_below_mv": (0, 60000, 0, "now"),  # logging ends in order below this supply, 0 = never
}


class Settings:
    """`values` by name; `problems` met on reading, as (fault number, detail)."""

    def __init__(self, fs):
        self._fs = fs
        self.values = {name: bounds[2] for name, bounds in KNOWN.items()}
        self.problems = []
        renew(fs, NEW_FILE)
        self._load()

    def __getitem__(self, name):
        return self.values[name]

    def text(self):
        """The settings text in force, without the check line."""
        return "".join("%s=%d\n" % (name, self.values[name]) for name in sorted(self.values))

    def check(self):
        """CRC-32 of text(): tag 49."""
        return binascii.crc32(self.text().encode())

    def change(self, name, value):
        """Take a value and keep it. KeyError: no such name. ValueError: out of bounds. OSError: not kept."""
        least, most = KNOWN[name][:2]
        if not least <= value <= most:
            raise ValueError("%s must be %d to %d" % (name, least, most))
        old = self.values[name]
        self.values[name] = value
        try:
            self._save()
        except OSError:
            self.values[name] = old
            raise

    def override(self, name, value):
        """Take a value for this run only; errors as change()."""
        least, most = KNOWN[name][:2]
        if not least <= value <= most:
            raise ValueError("%s must be %d to %d" % (name, least, most))
        self.values[name] = value

    def _save(self):
        text = self.text()
        with self._fs.open(NEW_FILE, "wb") as file:
            file.write(("%scheck=%08X\n" % (text, binascii.crc32(text.encode()))).encode())
            file.flush()
        self._fs.rename(NEW_FILE, FILE)

    def _load(self):
        try:
            with self._fs.open(FILE, "rb") as file:
                data = file.read(MOST_BYTES)
        except OSError:
            return  # never changed: the defaults hold
        at = data.rfind(b"check=")
        if at < 0 or data[at:].strip().upper() != b"CHECK=%08X" % binascii.crc32(data[:at]):
            self.problems.append((faults.SETTINGS_CHECK, 0))
            return
        number = 0
        for line in data[:at].split(b"\n"):
            number += 1
            if line.strip() and not self._take(line):
                self.problems.append((faults.SETTINGS_VALUE, number))

    def _take(self, line):
        """One line `name=value`; False where it is not understood."""
        try:
            name, value = line.decode().split("=")
            self.override(name.strip(), int(value))
        except (ValueError, KeyError):  # a UnicodeError is a ValueError
            return False
        return True
