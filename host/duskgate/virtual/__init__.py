"""The board without hardware: its firmware behind a serial link on this computer, and invented nights for it."""
