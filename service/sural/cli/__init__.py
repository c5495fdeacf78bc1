"""The command line."""

from sural.cli.main import main

__all__ = ["main"]
