"""The conversation with the board: bytes in, events out; `port.py` alone touches a real port."""
