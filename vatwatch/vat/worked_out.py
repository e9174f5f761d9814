"""What follows from a vat's settings alone, worked out once instead of in every slot.

Settings are frozen: what was worked out of one settings object stays right as long as that object lives. Looked up by
identity, since hashing a whole settings tree costs more than most of what is kept. Holds nothing of any vat's state.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import update_wrapper
from typing import Generic, TypeVar

from vatwatch.vat.settings import VatSettings

T = TypeVar("T")
KEPT_SETTINGS = 64
"""Many more than a shed has vats; a back-test over many settings starts afresh now and then."""


class OncePerSettings(Generic[T]):
    """Wraps a function of the settings alone. What it gives is shared: it must not be changed."""

    def __init__(self, work: Callable[[VatSettings], T]) -> None:
        update_wrapper(self, work)
        self._work = work
        # The settings are kept beside the result, so that no other object can come to bear the same id.
        self._kept: dict[int, tuple[VatSettings, T]] = {}

    def __call__(self, settings: VatSettings) -> T:
        known = self._kept.get(id(settings))
        if known is not None:
            return known[1]
        if len(self._kept) >= KEPT_SETTINGS:
            self._kept.clear()
        worked_out = self._work(settings)
        self._kept[id(settings)] = (settings, worked_out)
        return worked_out
