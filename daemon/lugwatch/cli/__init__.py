"""The command line: one file per command, a few lines each. May import everything."""

from lugwatch.cli.main import main

__all__ = ["main"]
