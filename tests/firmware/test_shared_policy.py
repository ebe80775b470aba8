"""When a commit is due."""

from core.commit_policy import CommitPolicy


def test_nothing_waits():
    policy = CommitPolicy()
    policy.saw(0, 5)
    assert not policy.due(0, 10**6) and policy.due_ms() is None


def test_ten_seconds_after_the_first_record():
    policy = CommitPolicy()
    policy.saw(1, 1000)
    policy.saw(50, 9000)
    assert policy.due_ms() == 11000
    assert not policy.due(50, 10999)
    assert policy.due(50, 11000)


def test_480_records_at_once():
    policy = CommitPolicy()
    policy.saw(479, 0)
    assert not policy.due(479, 1)
    assert policy.due(480, 1)


def test_wait_begins_anew_after_a_commit():
    policy = CommitPolicy()
    policy.saw(1, 0)
    policy.saw(0, 10000)
    policy.saw(1, 19000)
    assert not policy.due(1, 28999) and policy.due(1, 29000)
