"""The logger's supply, as the scene has it."""


class Supply:
    def __init__(self, mv=5000):
        self._mv = mv

    def scene_supply(self, mv):
        self._mv = mv

    def read_mv(self):
        return self._mv
