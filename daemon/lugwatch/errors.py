"""Errors that a person caused or can mend, each one clear line.

Not here: failed measurements. Those are values (`model.Fault`), since life goes on after them.
Imports nothing of ours.
"""

from collections.abc import Sequence


class UserError(Exception):
    """The person's input is wrong: usage, configuration, an unreadable file. Exit status 2.

    The message says what is wrong, where, and what to try, in one line.
    """

    exit_status = 2


class OperationFailed(Exception):
    """The input was right and the work could not be done all the same. Exit status 1."""

    exit_status = 1


class ConfigurationError(UserError):
    """Every mistake in a configuration at once, one line each, in `mistakes`."""

    def __init__(self, path: str, mistakes: Sequence[str]) -> None:
        self.path = path
        self.mistakes = tuple(mistakes)
        count = "1 mistake" if len(self.mistakes) == 1 else f"{len(self.mistakes)} mistakes"
        super().__init__("\n".join([f"{path}: {count}", *(f"  {line}" for line in self.mistakes)]))
