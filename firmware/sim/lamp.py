"""The board's lamp; here only remembered."""


class Lamp:
    def __init__(self):
        self.state = None

    def show(self, state, _now_ms):
        self.state = state
