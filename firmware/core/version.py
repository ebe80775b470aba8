"""Version of the firmware and of what it writes and speaks (FORMAT.md section 1)."""

FIRMWARE = (0, 1, 0)
LOG_VERSION = 1
LINK_VERSION = 1


def text(version):
    """(0, 1, 0) -> "0.1.0"."""
    return ".".join(str(part) for part in version)


def packed(version):
    """(major, minor, patch) -> the number of tags 45 and 46."""
    return version[0] * 65536 + version[1] * 256 + version[2]
