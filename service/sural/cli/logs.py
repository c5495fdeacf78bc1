"""Logs on standard error, for the commands that go on until they are stopped."""

import logging


def show(*names: str) -> None:
    """Write what some loggers tell to standard error, with its time."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    for name in names:
        logging.getLogger(name).addHandler(handler)
        logging.getLogger(name).setLevel(logging.INFO)
