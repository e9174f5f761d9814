"""What follows from one frozen object alone (a vat's settings, a belief), worked out once instead of in every slot.

Frozen objects do not change, so what was worked out of one stays right as long as it lives. It is looked up by identity:
hashing a settings tree, or the 151 weights of a belief, costs more than most of what is kept. Holds no vat's state.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import update_wrapper
from typing import Generic, TypeVar

Of = TypeVar("Of")
Found = TypeVar("Found")
MOST_KEPT = 48
"""More than a shed has vats; when it is full everything is worked out afresh, so memory stays bounded."""


class Once(Generic[Of, Found]):
    """Wraps a pure function of one frozen object. What it gives is shared: it must not be changed."""

    def __init__(self, work: Callable[[Of], Found]) -> None:
        update_wrapper(self, work)
        self._work = work
        # The object is kept beside the result, so that no other can come to bear the same id.
        self._kept: dict[int, tuple[Of, Found]] = {}

    def __call__(self, of: Of) -> Found:
        known = self._kept.get(id(of))
        if known is not None:
            return known[1]
        if len(self._kept) >= MOST_KEPT:
            self._kept.clear()
        found = self._work(of)
        self._kept[id(of)] = (of, found)
        return found
