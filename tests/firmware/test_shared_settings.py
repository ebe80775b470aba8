"""Settings over damage: the old ones, the new ones or the defaults, never a mixture that nobody wrote."""

import binascii

from core import faults, settings
from core.settings import Settings

import helpers


def changed(**values):
    """A file system with these settings kept."""
    fs = helpers.DictFs()
    kept = Settings(fs)
    for name in values:
        kept.change(name, values[name])
    return fs


def with_check(text):
    return text + b"check=%08X\n" % binascii.crc32(text)


def test_defaults_where_there_is_no_file():
    fresh = Settings(helpers.DictFs())
    assert fresh["chatter_limit"] == 200 and fresh["commit_s"] == 10 and fresh["drop_unpulled"] == 0
    assert fresh.problems == []


def test_kept_over_a_restart():
    fs = changed(chatter_limit=50, channels=0x89)
    again = Settings(fs)
    assert again["chatter_limit"] == 50 and again["channels"] == 0x89 and again.problems == []
    text = fs.files["settings.txt"]
    at = text.index(b"check=")
    assert int(text[at + 6 :], 16) == binascii.crc32(text[:at]) and again.check() == binascii.crc32(text[:at])


def test_every_damaged_byte_gives_the_defaults_and_a_fault():
    data = changed(chatter_limit=50).files["settings.txt"]
    for at in range(len(data) - 1):
        damaged = bytearray(data)
        damaged[at] ^= 1
        found = Settings(helpers.DictFs(files={"settings.txt": bytes(damaged)}))
        assert found["chatter_limit"] == 200, at
        assert found.problems == [(faults.SETTINGS_CHECK, 0)], at
    for length in range(len(data) - 2):
        found = Settings(helpers.DictFs(files={"settings.txt": data[:length]}))
        assert found["chatter_limit"] == 200 and found.problems, length


def test_a_wrong_line_costs_only_itself():
    text = b"commit_s=20\nchatter_limit=-4\nhead_count=3\nchannels=x\nlow_mask=126\n"
    found = Settings(helpers.DictFs(files={"settings.txt": with_check(text)}))
    assert found["commit_s"] == 20 and found["low_mask"] == 126
    assert found["chatter_limit"] == 200 and found["channels"] == 255
    assert found.problems == [(faults.SETTINGS_VALUE, line) for line in (2, 3, 4)]


def test_bounds():
    found = Settings(helpers.DictFs())
    for name in settings.KNOWN:
        least, most, default, _ = settings.KNOWN[name]
        assert least <= default <= most
        for value in (least - 1, most + 1):
            try:
                found.change(name, value)
            except ValueError:
                continue
            raise AssertionError(name)
        found.change(name, most)
        assert found[name] == most


def test_failing_to_keep_leaves_the_old_value():
    for operation in ("open", "write", "flush", "rename"):
        fs = changed(chatter_limit=50)
        kept = Settings(fs)
        fs.fail = {operation: 28}
        try:
            kept.change("chatter_limit", 60)
            raise AssertionError(operation)
        except OSError:
            pass
        assert kept["chatter_limit"] == 50 and Settings(fs.after_cut())["chatter_limit"] == 50


def test_power_cut_at_every_point_gives_old_or_new():
    seen = set()
    for after in range(10):
        fs = changed(chatter_limit=50)
        kept = Settings(fs)
        fs.cut_after = after
        try:
            kept.change("chatter_limit", 60)
        except helpers.PowerCut:
            pass
        found = Settings(fs.after_cut())
        assert found.problems == []
        seen.add(found["chatter_limit"])
    assert seen == {50, 60}
