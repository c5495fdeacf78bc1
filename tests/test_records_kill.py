"""A pull that is killed in a process of its own goes on where it was. Twenty kills: `python -m tests.kills`."""

from tests.kills import kill_and_look


def test_a_pull_survives_being_killed() -> None:
    """Issue 4, "must show": SIGKILL at random moments; nobody lost, nobody done twice, the mark last."""
    assert [] == kill_and_look(kills=3, patients=40, seed=7)
