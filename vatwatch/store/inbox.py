"""A spool directory: other processes hand in entries, alarm actions and calibrations, whether the daemon runs or not.

One JSON file per entry, whole or not there at all (written aside, synced, renamed). The daemon collects them, commits
them with a batch and only then clears them; a crash in between hands them in again, which `StoreWriter.has` tells.
This file keeps no database and judges no entry beyond its form.
"""

from __future__ import annotations

import hashlib
import json
import logging
import math
import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, NoReturn
from uuid import uuid4

from vatwatch.errors import StoreError
from vatwatch.records import AlarmAction, Calibration, JournalEntry
from vatwatch.store import calibrations, faults
from vatwatch.store.ownership import as_around
from vatwatch.terms import ActionVerb, EntryKind

log = logging.getLogger(__name__)

LARGEST_BYTES = 64 * 1024
"""A longer file is no journal entry; it is set aside unread."""

_FORM = "vatwatch-entry-1"
_INT64 = 2**63

_TEXT = (str,)
_MS = (int,)
_MS_OR_NONE = (int, type(None))
_NUMBER_OR_NONE = (int, float, type(None))
_FIELDS: dict[str, dict[str, tuple[type, ...]]] = {
    "journal": {
        "entry_id": _TEXT,
        "time_ms": _MS,
        "logged_ms": _MS,
        "vat": _TEXT,
        "kind": _TEXT,
        "what": _TEXT,
        "grams": _NUMBER_OR_NONE,
        "litres": _NUMBER_OR_NONE,
        "minutes": _NUMBER_OR_NONE,
        "text": _TEXT,
        "by": _TEXT,
        "details": (list,),
    },
    "action": {
        "action_id": _TEXT,
        "time_ms": _MS,
        "vat": _TEXT,
        "alarm": _TEXT,
        "verb": _TEXT,
        "until_ms": _MS_OR_NONE,
        "by": _TEXT,
    },
}


Handed = JournalEntry | AlarmAction | Calibration


class _NotAnEntry(Exception):
    """A spooled file is malformed; the text says how."""


def drop(directory: Path, entry: Handed) -> Path:
    """Hand in one entry; when this returns it is on the disk. The same id and time give the same file again.

    Errors: StoreFull when the disk has no room, StoreError when the directory cannot be written or the entry holds a
    value that could not be read back.
    """
    if isinstance(entry, JournalEntry):
        kind, identity, order_ms = "journal", entry.entry_id, entry.logged_ms
    elif isinstance(entry, AlarmAction):
        kind, identity, order_ms = "action", entry.action_id, entry.time_ms
    else:
        kind, identity, order_ms = "calibration", entry.calibration_id, entry.time_ms
    try:
        content = json.dumps({"form": _FORM, "record": kind, **asdict(entry)}, ensure_ascii=False, allow_nan=False)
        encoded = content.encode("utf-8")
        _parse(encoded)
    except (ValueError, _NotAnEntry) as error:
        raise StoreError(f"This {kind} entry cannot be handed in: {error}. Nothing was written.") from error
    # Hex keeps file names harmless whatever the id holds; the time in front makes them sort by age.
    name = f"{max(order_ms, 0):019d}-{kind}-{hashlib.sha256(identity.encode('utf-8')).hexdigest()[:24]}.json"
    target = directory / name
    aside = directory / f".{name}.{uuid4().hex}.part"
    try:
        if not directory.is_dir():
            directory.mkdir(parents=True, exist_ok=True)
            as_around(directory)
        try:
            with aside.open("xb") as file:
                file.write(encoded)
                file.flush()
                os.fsync(file.fileno())
            as_around(aside)
            aside.replace(target)
        except OSError:
            with suppress(OSError):
                aside.unlink()
            raise
        _sync_directory(directory)
    except OSError as error:
        raise faults.os_error(error, directory, "hand in an entry at") from error
    return target


def collect(directory: Path) -> list[tuple[Path, Handed]]:
    """Every entry handed in, oldest first, each with its file for `clear`. Never raises.

    A malformed file is moved to `rejected/` inside the directory, with a `.reason` file beside it. A file that cannot
    be read at the moment stays for the next time; see `unreadable`.
    """
    found: list[tuple[Path, Handed]] = []
    for path in _spooled(directory):
        try:
            found.append((path, _parse(_read(path))))
        except _NotAnEntry as error:
            reject(path, str(error))
        except OSError:
            continue
    return found


def unreadable(directory: Path) -> list[str]:
    """What lies in the spool and cannot be read by this user, in sentences. Never raises.

    A `note` by another user with a strict umask leaves such a file: it waits, and nobody would know.
    """
    return [_waits(path) for path in _spooled(directory) if not path.is_symlink() and not _readable(path)]


def tell_unreadable(directory: Path, told: set[str]) -> set[str]:
    """Log what cannot be read, but for what was `told` before; returns what is told now."""
    found = set(unreadable(directory))
    for sentence in sorted(found - told):
        log.warning(sentence)
    return found


def left_lying(directory: Path, now_s: float, after_s: float = 60.0) -> list[str]:
    """What has lain in the spool for longer than `after_s` seconds, in sentences: a running vatwatch cannot take it."""
    found = []
    for path in _spooled(directory):
        with suppress(OSError):
            if now_s - path.lstat().st_mtime > after_s:
                found.append(_waits(path))
    return found


def _spooled(directory: Path) -> list[Path]:
    try:
        return sorted(path for path in directory.iterdir() if path.suffix == ".json" and path.name[0] != ".")
    except OSError:
        return []


def _readable(path: Path) -> bool:
    return os.access(path, os.R_OK, effective_ids=os.access in os.supports_effective_ids)


def _waits(path: Path) -> str:
    try:
        found = path.lstat()
        rights = f" (it belongs to user {found.st_uid}, rights {stat.filemode(found.st_mode)})"
    except OSError:
        rights = ""
    return (
        f"An entry handed in as {path} waits, because vatwatch cannot read it{rights}. "
        f"Let the user that runs vatwatch read it: chmod a+r {path}"
    )


def clear(paths: Iterable[Path]) -> None:
    """Remove files whose entries are committed. One that is gone already, or cannot be removed, is passed over.

    An entry whose file could not be removed is collected again; the store then knows its id.
    """
    for path in paths:
        with suppress(OSError):
            path.unlink()


def _read(path: Path) -> bytes:
    # Not following links and not waiting on pipes: anyone who may drop a file here could leave one of those.
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        if path.is_symlink():
            raise _NotAnEntry("it is a link, not a file") from error
        raise
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise _NotAnEntry("it is not a regular file")
        return os.read(descriptor, LARGEST_BYTES + 1)
    finally:
        os.close(descriptor)


def _parse(content: bytes) -> Handed:
    if len(content) > LARGEST_BYTES:
        raise _NotAnEntry(f"it is longer than {LARGEST_BYTES} bytes")
    try:
        given = json.loads(content.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise _NotAnEntry(f"it is not JSON in UTF-8 ({error})") from error
    if not isinstance(given, dict) or given.pop("form", None) != _FORM:
        raise _NotAnEntry(f'it is not an object with "form": "{_FORM}"')
    record = given.pop("record", None)
    if record == "calibration":
        return _calibration(given)
    fields = _FIELDS.get(record) if isinstance(record, str) else None
    if fields is None:
        raise _NotAnEntry(f'"record" is {record!r}; expected one of {", ".join(_FIELDS)}, calibration')
    if given.keys() != fields.keys():
        missing, unknown = sorted(fields.keys() - given.keys()), sorted(given.keys() - fields.keys())
        raise _NotAnEntry(f"fields missing: {missing or 'none'}, not known: {unknown or 'none'}")
    for name, types in fields.items():
        given[name] = _checked(name, given[name], types)
    if record == "journal":
        given["kind"] = _member(EntryKind, "kind", given["kind"])
        given["details"] = _details(given["details"])
        return JournalEntry(**given)
    given["verb"] = _member(ActionVerb, "verb", given["verb"])
    return AlarmAction(**given)


def _calibration(given: dict[str, Any]) -> Calibration:
    try:
        calibration = calibrations.of_json(json.dumps(given, ensure_ascii=False).encode("utf-8"))
    except ValueError as error:
        raise _NotAnEntry(f"it is no calibration ({error})") from error
    if not calibration.calibration_id or not 0 <= calibration.time_ms < _INT64:
        raise _NotAnEntry('"calibration_id" is empty, or "time_ms" does not fit')
    return calibration


def _checked(name: str, value: Any, types: tuple[type, ...]) -> Any:
    if isinstance(value, bool) or not isinstance(value, types):
        expected = " or ".join("null" if known is type(None) else known.__name__ for known in types)
        raise _NotAnEntry(f'"{name}" is {value!r}; expected {expected}')
    if isinstance(value, int) and not -_INT64 <= value < _INT64:
        raise _NotAnEntry(f'"{name}" does not fit 64 bits')
    if isinstance(value, float) and not math.isfinite(value):
        raise _NotAnEntry(f'"{name}" is not a finite number')
    if isinstance(value, str):
        if not value and name.endswith("_id"):
            raise _NotAnEntry(f'"{name}" is empty')
        try:
            value.encode("utf-8")
        except UnicodeEncodeError as error:
            raise _NotAnEntry(f'"{name}" holds half a character ({error.reason})') from error
        return value
    return float(value) if isinstance(value, (int, float)) and float in types else value


def _details(value: list[Any]) -> tuple[tuple[str, str], ...]:
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:
            raise _NotAnEntry(f'"details" holds {pair!r}; expected pairs of name and text')
    return tuple((_checked("details", name, _TEXT), _checked("details", text, _TEXT)) for name, text in value)


def _member(kinds: type[EntryKind] | type[ActionVerb], name: str, value: str) -> EntryKind | ActionVerb:
    try:
        return kinds(value)
    except ValueError as error:
        raise _NotAnEntry(f'"{name}" is {value!r}; expected one of {", ".join(kinds)}') from error


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a number")


def reject(path: Path, reason: str) -> None:
    """Move a file that cannot be taken to `rejected/`, with the reason beside it. Never raises."""
    rejected = path.parent / "rejected"
    target = rejected / path.name
    # An earlier rejected file of that name stays: nothing handed in is ever overwritten.
    if target.exists() or target.is_symlink():
        target = rejected / f"{path.stem}-{uuid4().hex[:8]}.json"
    with suppress(OSError):
        rejected.mkdir(exist_ok=True)
        path.rename(target)
    with suppress(OSError):
        if target.exists() or target.is_symlink():
            target.with_name(target.name + ".reason").write_text(
                f"Not taken into the journal because {reason}.\n", encoding="utf-8", errors="backslashreplace"
            )


def _sync_directory(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
