"""The one kind of error a user may see: what it is about, what was found, what is allowed, what to do next."""

from __future__ import annotations

DONE, NEEDS_A_PERSON, NOT_STARTED, BUG, INTERRUPTED = 0, 1, 2, 3, 130
"""Exit codes of every command."""

CONTROLS = {code: f"\\x{code:02x}" for code in (*range(32), *range(127, 160)) if chr(code) not in "\n\t"}


def shown(text: str) -> str:
    """`text` with its control characters written out: what a file is called or holds must not steer a terminal."""
    return text.translate(CONTROLS)


class RowplaneError(Exception):
    """Input or configuration that the job cannot start with; the command ends with exit code 2.

    `subject` names the file, key or row, `found` what stands there, `allowed` what could stand there, `hint` one next
    step. All four are plain words for a person; none may be empty.
    """

    def __init__(self, subject: str, found: str, allowed: str, hint: str) -> None:
        super().__init__(subject, found, allowed, hint)
        self.subject, self.found, self.allowed, self.hint = map(shown, (subject, found, allowed, hint))

    def __str__(self) -> str:
        return f"{self.subject}: found {self.found}; allowed: {self.allowed}. {self.hint}"
