"""`sural` as a user starts it: in a process of its own, from which others may spring."""

import sys

RUN = "import sys\nif __name__ == '__main__':\n    from sural.cli.main import main\n    sys.exit(main(sys.argv[1:]))"
"""The command as a program."""


def command(*arguments: object) -> list[str]:
    """What to start for one command with its arguments."""
    return [sys.executable, "-c", RUN, *map(str, arguments)]
