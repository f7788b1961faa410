"""The command line: arguments and printing only."""

from rowplane.cli.commands import main

__all__ = ["main"]
