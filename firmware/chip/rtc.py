"""Clock chip DS3231 on I2C (data sheet 19-5170, table 1 for the registers, p. 13 for control and status).

The 1 Hz output needs control = 0: INTCN off, rate bits 00. Writing the seconds register restarts the wave, which rises
half a second later, so the second written begins at the write. Years are 2000..2099; the century bit is masked, as
drivers disagree on it.
"""

from time import sleep_us

from core.shim import const
from machine import I2C, Pin

_SECONDS = const(0x00)  # 7 registers: seconds, minutes, hours, weekday, date, month, year; BCD
_CONTROL = const(0x0E)
_STATUS = const(0x0F)
_TEMPERATURE = const(0x11)
_STOPPED = const(0x80)  # status: the oscillator had stopped, the time is not trustworthy
_YEAR_2000 = const(946684800)
_DAY_S = const(86400)
_EIO = const(5)
_DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)


def _bcd(value, least, most):
    """BCD byte to a number; OSError where it is none or out of bounds: the bus is disturbed."""
    number = (value >> 4) * 10 + (value & 15)
    if value & 15 > 9 or not least <= number <= most:
        raise OSError(_EIO)
    return number


def to_second(registers):
    """Seven registers to a Unix second. OSError where they do not hold a time."""
    second = _bcd(registers[0] & 0x7F, 0, 59)
    minute = _bcd(registers[1] & 0x7F, 0, 59)
    hour = registers[2]
    if hour & 0x40:  # somebody set the 12-hour mode
        hour = _bcd(hour & 0x1F, 1, 12) % 12 + (12 if hour & 0x20 else 0)
    else:
        hour = _bcd(hour & 0x3F, 0, 23)
    date = _bcd(registers[4] & 0x3F, 1, 31)
    month = _bcd(registers[5] & 0x1F, 1, 12)
    year = _bcd(registers[6], 0, 99)
    days = 365 * year + (year + 3) // 4 + _DAYS_BEFORE[month - 1] + date - 1
    if month > 2 and year % 4 == 0:
        days += 1
    return _YEAR_2000 + days * _DAY_S + hour * 3600 + minute * 60 + second


def to_registers(second):
    """A Unix second of 2000..2099 to the seven registers."""
    days, rest = divmod(second - _YEAR_2000, _DAY_S)
    weekday = (days + 5) % 7 + 1  # 2000-01-01 was a Saturday: day 6 where Monday is 1
    year = 0
    while days >= (366 if year % 4 == 0 else 365):
        days -= 366 if year % 4 == 0 else 365
        year += 1
    month = 12
    while month > 1 and days < _first_day(month, year):
        month -= 1
    date = days - _first_day(month, year) + 1
    fields = (rest % 60, rest // 60 % 60, rest // 3600, weekday, date, month, year)
    return bytes((field // 10 << 4 | field % 10) for field in fields)


def _first_day(month, year):
    return _DAYS_BEFORE[month - 1] + (1 if month > 2 and year % 4 == 0 else 0)


def free_bus(sda, scl):
    """A reset in the middle of a transfer leaves the chip holding SDA low: clock it until it lets go."""
    data, clock = Pin(sda, Pin.IN, Pin.PULL_UP), Pin(scl, Pin.OUT, value=1)
    for _ in range(9):
        if data.value():
            break
        clock.value(0)
        sleep_us(10)
        clock.value(1)
        sleep_us(10)


class Rtc:
    """Make after the clock frequency was set: I2C is clocked from the system clock. OSError: the chip is silent."""

    def __init__(self, block, sda, scl, hz, address):
        free_bus(sda, scl)
        self._bus = I2C(block, sda=Pin(sda), scl=Pin(scl), freq=hz, timeout=20000)
        self._address = address
        self._buf = bytearray(7)
        self._byte = bytearray(1)
        self._wave_set = False

    def _start_wave(self):
        """At first power-up the chip's output is at 8 kHz: ask for 1 Hz, once it answers."""
        if not self._wave_set:
            self._bus.writeto_mem(self._address, _CONTROL, b"\x00")
            self._wave_set = True

    def _registers(self):
        self._bus.readfrom_mem_into(self._address, _SECONDS, self._buf)
        return self._buf

    def read(self):
        """Unix second now. Read twice: a disturbed bus does not give the same wrong time again."""
        self._start_wave()
        first = to_second(self._registers())
        second = to_second(self._registers())
        if not 0 <= second - first <= 1:
            raise OSError(_EIO)
        return second

    def stopped(self):
        self._bus.readfrom_mem_into(self._address, _STATUS, self._byte)
        return bool(self._byte[0] & _STOPPED)

    def set(self, second):
        """That second begins now; True. The stopped flag is cleared only after the time was written."""
        self._start_wave()
        self._bus.writeto_mem(self._address, _SECONDS, to_registers(second))
        self._bus.readfrom_mem_into(self._address, _STATUS, self._byte)
        self._byte[0] &= 0x7F
        self._bus.writeto_mem(self._address, _STATUS, self._byte)
        return True

    def temp_c100(self):
        """Hundredths of a degree Celsius, in steps of a quarter degree."""
        raw = self._bus.readfrom_mem(self._address, _TEMPERATURE, 2)
        quarters = raw[0] << 2 | raw[1] >> 6
        return (quarters - 1024 if quarters & 0x200 else quarters) * 25
