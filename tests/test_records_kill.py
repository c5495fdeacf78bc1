"""A pull that is killed in a process of its own goes on where it was. Twenty kills: `python -m tests.kills`."""

from tests.kills import kill_and_look, kill_writing


def test_a_pull_survives_being_killed() -> None:
    """SIGKILL at random moments; nobody lost, nobody done twice, the mark last."""
    assert [] == kill_and_look(kills=3, patients=40, seed=7)


def test_a_pull_that_writes_back_survives_being_killed() -> None:
    """SIGKILL at random moments; afterwards every patient has exactly one current answer."""
    assert [] == kill_writing(kills=3, patients=30, seed=5)
