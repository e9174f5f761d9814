"""Counts what was refused on a port and puts it into one sentence for the person reading.

Pure: no clock, no port. When to say it is the reader's decision.
"""

from __future__ import annotations

from typing import Final

from vatwatch.probes.lines import Refusal

_EXCERPT: Final = 40
_PRINTABLE: Final = frozenset(range(0x20, 0x7F)) | frozenset(b"\t\r\n")


class GarbleTally:
    """Refusals since the last sentence; keeps counts and the last one only."""

    def __init__(self, wire: str, is_text: bool = True) -> None:
        """`wire` is the port's speed and framing, such as "9600 8N1"; `is_text`: only printable bytes are meant."""
        self._wire = wire
        self._is_text = is_text
        self._noun = "line" if is_text else "answer"
        self._clear()

    def _clear(self) -> None:
        self.count = 0
        self._bytes = 0
        self._odd_bytes = 0
        self._last: Refusal | None = None

    def add(self, refusal: Refusal) -> None:
        self.count += 1
        self._bytes += len(refusal.raw)
        self._odd_bytes += sum(byte not in _PRINTABLE for byte in refusal.raw)
        self._last = refusal

    def take_sentence(self) -> str:
        """What was refused since the last call; empty when nothing was."""
        if self._last is None:
            return ""
        noun = self._noun
        many = f"1 {noun} was refused" if self.count == 1 else f"{self.count} {noun}s were refused, the last"
        sentence = f"{many}: {printable(self._last.raw)} ({self._last.reason})"
        if self._is_text and 2 * self._odd_bytes > self._bytes:
            sentence += (
                f"; the bytes look like a wrong baud rate: the port is set to {self._wire}, compare the device's"
            )
        self._clear()
        return sentence


def printable(raw: bytes) -> str:
    """The first bytes as text that is safe on any screen, with an ellipsis where it was cut."""
    shown = "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in raw[:_EXCERPT])
    return f'"{shown}"' + ("…" if len(raw) > _EXCERPT else "")
