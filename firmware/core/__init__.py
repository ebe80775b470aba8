"""The pure part of the board: no pins, no clock, no file names of a machine. Runs in every Python."""
