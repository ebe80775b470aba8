"""The board's parts on the chip: thin, one module for each; the same names as sim/."""
