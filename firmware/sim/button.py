"""The note button, pressed by the scene."""


class Button:
    def __init__(self):
        self._presses = 0

    def scene_press(self):
        self._presses += 1

    def pressed(self):
        """True once for each press."""
        if not self._presses:
            return False
        self._presses -= 1
        return True
