"""Every write and sync a process made, by strace, and what of it a pulled card may hold: any part of what was not synced.

Model: what a file held at its last fsync or fdatasync is there; of later writes each sector of 512 bytes is there or not
by itself, in no order; a new or removed name counts once the file or its directory was synced. The shared index (-shm)
is memory and gone. That is harsher than ext4 and as harsh as SQLite assumes a device may be.
"""

from __future__ import annotations

import random
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path

from tests.services import find_program

SECTOR = 512
_CALLS = "openat,write,pwrite64,ftruncate,fdatasync,fsync,unlink,rename"
_ARGUMENT = re.compile(rb'"((?:\\x[0-9a-f]{2})*)"|<((?:\\x[0-9a-f]{2})*)>|(-?\d+)')
_LINE = re.compile(rb"^\d+ +(\w+)\((.*)\) += (-?\d+)")


@dataclass(frozen=True, slots=True)
class Call:
    """One system call that changed something; `data` of a write, `size` of a truncation or an offset."""

    name: str
    path: str
    data: bytes = b""
    size: int = 0
    target: str = ""


def traced(arguments: list[str], directory: Path, root: Path) -> list[Call]:
    """Runs `python -m …` under strace to its end; the calls on files of `directory`, and what it printed, in order."""
    log = directory.parent / "calls.trace"
    program = find_program("strace", "strace")
    done = subprocess.run(
        [program, "-f", "-qq", "-y", "-xx", "-s", "100000000", "-e", f"trace={_CALLS}", "-o", str(log),
         sys.executable, "-m", *arguments],
        cwd=root, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{done.stderr.decode()[-2000:]} (strace needs the right to trace its own child)"
    try:
        return list(_calls(log.read_bytes().splitlines(), str(directory)))
    finally:
        log.unlink()


def _calls(lines: list[bytes], directory: str) -> Iterator[Call]:
    for line in lines:
        found = _LINE.match(line)
        if found is None or int(found[3]) < 0:
            assert b"unfinished" not in line, "the traced process may have one thread only"
            continue
        name, result = found[1].decode(), int(found[3])
        texts, numbers = [], []
        for quoted, descriptor, number in _ARGUMENT.findall(found[2]):
            if number:
                numbers.append(int(number))
            else:
                texts.append(bytes.fromhex((quoted or descriptor).replace(b"\\x", b"").decode()))
        if name == "write" and numbers[0] == 1:
            yield Call("say", "", texts[1])
            continue
        paths = [
            text.decode("utf-8", "replace") for text in texts if name not in ("write", "pwrite64") or text == texts[0]
        ]
        path = paths[-1] if name == "openat" else paths[0]
        if not path.startswith(directory):
            continue
        match name:
            case "openat":
                if b"O_CREAT" in found[2]:
                    yield Call("create", path)
            case "pwrite64":
                assert result == len(texts[1]), "a short write"
                yield Call("write", path, texts[1], numbers[-1])
            case "write":
                yield Call("append", path, texts[1])
            case "ftruncate":
                yield Call("truncate", path, size=numbers[-1])
            case "fsync" | "fdatasync":
                yield Call("sync", path)
            case "unlink":
                yield Call("unlink", path)
            case "rename":
                yield Call("rename", path, target=paths[-1])


@dataclass
class _File:
    synced: bytearray | None = None
    """None: the name is not yet sure to be there."""
    unsynced: list[Call] = field(default_factory=list)
    doomed: bool = False
    """Removed, but the directory was not synced since."""

    def length(self) -> int:
        size = len(self.synced or b"")
        for call in self.unsynced:
            size = call.size if call.name == "truncate" else max(size, call.size + len(call.data))
        return size


class Card:
    """Takes calls in order; `pulled` gives the files as they may be found when the power goes at this moment."""

    def __init__(self, before: dict[str, bytes], honest: bool = True) -> None:
        """`before`: files that were there. Without `honest` the card says it has synced and has not."""
        self._files = {path: _File(bytearray(content)) for path, content in before.items()}
        self._honest = honest

    def take(self, call: Call) -> None:
        if call.name == "sync" and not self._honest:
            return
        file = self._files.get(call.path)
        match call.name:
            case "create":
                if file is None or file.doomed:
                    self._files[call.path] = _File()
            case "write" | "truncate":
                self._files.setdefault(call.path, _File()).unsynced.append(call)
            case "append":
                file = self._files.setdefault(call.path, _File())
                file.unsynced.append(Call("write", call.path, call.data, file.length()))
            case "unlink":
                if file is not None:
                    file.doomed = True
            case "rename":
                self._files[call.target] = self._files.pop(call.path)
            case "sync":
                if file is None:  # a directory: names in it are sure now
                    self._files = {
                        path: one for path, one in self._files.items()
                        if not (one.doomed and str(Path(path).parent) == call.path)
                    }  # fmt: skip
                else:
                    content = bytearray() if file.synced is None else file.synced
                    for each in file.unsynced:
                        _apply(content, each, lambda: True)
                    self._files[call.path] = _File(content)

    def pulled(self, chance: random.Random, share: float) -> dict[str, bytes]:
        """Every unsynced sector is there with the chance `share`."""
        found = {}
        for path, file in deepcopy(self._files).items():
            if file.doomed and chance.random() < 0.5:
                continue
            if file.synced is None and chance.random() >= share:
                continue
            content = file.synced or bytearray()
            for call in file.unsynced:
                _apply(content, call, lambda: chance.random() < share)
            found[path] = bytes(content)
        return found


def _apply(content: bytearray, call: Call, kept: Callable[[], bool]) -> None:
    """Writes what is `kept` of a call, sector by sector of the device."""
    if call.name == "truncate":
        if kept():
            del content[call.size :]
            content.extend(b"\0" * (call.size - len(content)))
        return
    start = 0
    while start < len(call.data):
        place = call.size + start
        part = call.data[start : start + SECTOR - place % SECTOR]
        if kept():
            content.extend(b"\0" * (place - len(content)))
            content[place : place + len(part)] = part
        start += len(part)
