"""Questions at a terminal: a default for Enter, a word of explanation for `?`, and asked again until it fits.

Knows nothing of vats or settings. A secret is read without showing it.
"""

from __future__ import annotations

import getpass
from collections.abc import Callable, Sequence
from typing import TypeVar

from rich.console import Console

from vatwatch.errors import VatwatchError

T = TypeVar("T")


class Asker:
    """One terminal. Every method gives an answer that fits, or raises VatwatchError when the person leaves."""

    def __init__(self, out: Console) -> None:
        self._out = out

    def say(self, line: str = "") -> None:
        self._out.print(line, markup=False, soft_wrap=True)

    def ask(self, question: str, fits: Callable[[str], T], default: str = "", why: str = "") -> T:
        """`fits` turns what was typed into the answer, or raises ValueError saying what is expected."""
        shown = f"{question}{f' [{default}]' if default else ''} "
        while True:
            typed = self._line(shown)
            if typed == "?":
                self.say(f"  {why or 'Nothing more is to be said about this one.'}")
                continue
            try:
                return fits(typed or default)
            except (ValueError, VatwatchError) as error:
                self.say(f"  {error}")

    def yes(self, question: str, default: bool, why: str = "") -> bool:
        return self.ask(f"{question} (y/n)", _yes_or_no, "y" if default else "n", why)

    def choose(self, question: str, choices: Sequence[tuple[T, str]], default: int | None, why: str = "") -> T:
        """One of several, by its number. Without a default the person must say."""
        for number, (_, words) in enumerate(choices, 1):
            self.say(f"  {number}  {words}")

        def fits(text: str) -> T:
            if not text.isdecimal() or not 1 <= int(text) <= len(choices):
                raise ValueError(f"expected a number from 1 to {len(choices)}, or ? for more")
            return choices[int(text) - 1][0]

        return self.ask(question, fits, "" if default is None else str(default + 1), why)

    def secret(self, question: str, fits: Callable[[str], T]) -> T:
        """As `ask`, but what is typed does not appear."""
        while True:
            try:
                return fits(getpass.getpass(f"{question} (it does not show) ").strip())
            except (ValueError, VatwatchError) as error:
                self.say(f"  {error}")
            except (EOFError, KeyboardInterrupt) as error:
                raise left_unfinished() from error

    def _line(self, shown: str) -> str:
        try:
            return input(shown).strip()
        except (EOFError, KeyboardInterrupt) as error:
            self.say()
            raise left_unfinished() from error


def left_unfinished() -> VatwatchError:
    return VatwatchError("left unfinished; nothing was written")


def any_text(text: str) -> str:
    return text


def printable(longest: int) -> Callable[[str], str]:
    """Accepts one to `longest` printable characters."""

    def fits(text: str) -> str:
        if not 1 <= len(text) <= longest or not text.isprintable():
            raise ValueError(f"expected 1 to {longest} printable characters")
        return text

    return fits


def number_or_nothing(low: float, high: float, unit: str) -> Callable[[str], float | None]:
    """Accepts a number in low…high, with a point or a comma, or nothing at all."""

    def fits(text: str) -> float | None:
        if not text:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise ValueError(f"expected {low:g} to {high:g} {unit}, or nothing")
        return value

    return fits


def _yes_or_no(text: str) -> bool:
    if text.lower() not in ("y", "yes", "n", "no"):
        raise ValueError("expected y or n")
    return text.lower().startswith("y")
