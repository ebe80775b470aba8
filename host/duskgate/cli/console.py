"""A Windows console made to obey terminal sequences, and set back afterwards (Microsoft: SetConsoleMode)."""

from typing import Any

STD_OUTPUT_HANDLE = -11
ENABLE_PROCESSED_OUTPUT, ENABLE_VIRTUAL_TERMINAL_PROCESSING = 1, 4


class WindowsConsole:
    """Context manager; its value says whether the console obeys. One too old for that refuses, and stays as it was.

    kernel: the functions of kernel32 by name, taken from Windows where none are given.
    """

    def __init__(self, kernel: Any = None):
        self._kernel = kernel or _kernel32()
        self._handle: Any = None
        self._before: int | None = None

    def __enter__(self) -> bool:
        import ctypes

        self._handle = self._kernel.GetStdHandle(STD_OUTPUT_HANDLE)
        mode = ctypes.c_ulong()
        if not self._kernel.GetConsoleMode(self._handle, ctypes.byref(mode)):
            return False
        wanted = mode.value | ENABLE_PROCESSED_OUTPUT | ENABLE_VIRTUAL_TERMINAL_PROCESSING
        if not self._kernel.SetConsoleMode(self._handle, wanted):
            return False
        self._before = mode.value
        return True

    def __exit__(self, *_exc: object) -> None:
        if self._before is not None:
            self._kernel.SetConsoleMode(self._handle, self._before)


def _kernel32() -> Any:
    import ctypes

    kernel = ctypes.WinDLL("kernel32")
    kernel.GetStdHandle.restype = ctypes.c_void_p  # a handle is as wide as a pointer
    kernel.GetConsoleMode.argtypes = (ctypes.c_void_p, ctypes.c_void_p)
    kernel.SetConsoleMode.argtypes = (ctypes.c_void_p, ctypes.c_ulong)
    return kernel
