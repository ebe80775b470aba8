"""Pins, frequencies and sizes of the board. Constants only, each with its reason."""

CHANNELS = ("BEAM", "BEAM2", "SYNC", "FLASH1", "FLASH2", "FLASH3", "FLASH4", "SECOND")

# One PIO instruction samples adjacent pins at once, so all stamped inputs are neighbours: GP2..GP9 in the order above.
# They stay below GPIO 30, where the same code serves RP2040 and RP2350. GP0 and GP1 stay free for a serial console.
FIRST_INPUT = 2
INPUTS = 8

# Closes an optocoupler that fires the rig on the bench; beside the inputs, so that a jumper to BEAM2 is short.
SHOT = 10
SHOT_MS = 20  # as a camera closes its contact for a frame or two of the slowest electronics

# To ground through a push button, internal pull-up: writes a note into the log.
BUTTON = 11

# Held to ground at power-up: no logging, the prompt stays. For a program that will not let anybody in.
HOLD = 15

# The name that every board of the family gives its own light, also where a radio chip drives it.
LAMP = "LED"

# Clock chip, on the I2C block 0 pins nearest to a ground pin. 100 kHz: long leads in the wet.
I2C = 0
SDA = 16
SCL = 17
I2C_HZ = 100000
CLOCK_CHIP = 0x68

# Supply by a divider on ADC2. GPIO29 would see VSYS without parts, but belongs to the radio on boards that have one.
SUPPLY_ADC = 28
SUPPLY_UPPER_OHM = 200000
SUPPLY_LOWER_OHM = 100000
ADC_REFERENCE_MV = 3300

# Light pulse shape: ADC0, the pin of that converter which is farthest from the supply's.
PULSE_ADC = 26
# The converter's own fastest pace: 96 cycles of its 48 MHz clock, which does not follow CLOCK_HZ.
PULSE_STEP_NS = 2000
# The ring stops so long after the first light: 2,048 samples are kept at most, 64 of them before it, and a few more are
# needed to tell a light that goes on.
PULSE_POST_US = 4200
# 2**14 bytes, 8192 samples, 16 ms: the stamper's memory has so much left over, whatever its alignment.
PULSE_RING_BITS = 14

# Set first thing and never changed: the stamper's tick follows it. 125 MHz gives a tick of exactly 72 ns.
CLOCK_HZ = 125000000
CYCLES_PER_TICK = 9  # instructions in one round of the stamper's program, on each of its paths

# State machine 0 of PIO 0: where a radio chip takes a PIO block, it takes the other.
STATE_MACHINE = 0
# Beside the stamper in the same block, whose 32 instructions hold both programs: the other block stays free.
PULSE_STATE_MACHINE = 1
# The light pulse program reads four neighbours from FLASH1 on.
FIRST_FLASH = FIRST_INPUT + 3

# 2**15 bytes is the most that a DMA channel can wrap. 8192 words outlast the longest flash write seen or feared
# (1.2 s) at 6,800 edges a second.
RING_BITS = 15

# The watchdog of the smaller chip counts to 8.388 s at most; the longest commit is far below.
WATCHDOG_MS = 8000

# Between two drains: 10 ms at 2,000 edges a second is 20 words, and shorter pauses only cost current.
PAUSE_MS = 10

# Ctrl-C within this time after power-up leads to the prompt; also the time in which USB finds the board undisturbed by
# flash writes.
GRACE_MS = 2500

# Starts that ended with an error, one after the other, before the board waits at the prompt instead of trying again.
CRASHES = 3
# A start that ran so long was a good one: the count begins anew.
HEALTHY_MS = 600000
