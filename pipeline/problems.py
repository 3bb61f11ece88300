"""What is wrong with an input, as a sentence with a place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one input.

    `what` is a sentence saying what is wrong and what to do about it; `file` and `line` say where (line from 1,
    None where the whole file is meant). A problem with `fatal=False` is a warning: the chain goes on and reports it.
    """

    file: str
    what: str
    line: int | None = None
    fatal: bool = True

    def __str__(self) -> str:
        """`file, line n: sentence`."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        return f"{place}: {self.what}"


class UnusableInput(Exception):
    """The data cannot be used: carries every problem found, not just the first (exit status 1)."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        """Carry `problems`, in the order given."""
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class WrongUsage(Exception):
    """The command was called wrongly (exit status 2)."""
