"""What an administrator does by `sudo` beside the service leaves nothing that the service's own user could not touch.

Run by root, the record belongs to another user, as the service's does; run by anybody else, to whoever runs it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.shed import Shed

SERVICE_USER = 65534 if os.getuid() == 0 else os.getuid()
SERVICE_GROUP = 65534 if os.getuid() == 0 else os.getgid()


def give_away(directory: Path) -> None:
    """As systemd does it for StateDirectory= before each start."""
    for path in (directory, *directory.rglob("*")):
        os.chown(path, SERVICE_USER, SERVICE_GROUP)


def not_the_services(directory: Path) -> list[str]:
    return [
        f"{p} belongs to {p.stat().st_uid}"
        for p in (directory, *directory.rglob("*"))
        if p.stat().st_uid != SERVICE_USER
    ]


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    with Shed(tmp_path) as made:
        made.plug_in()
        made.start()
        made.wait_for_scans(2)
        assert made.stop() == 0
        give_away(made.store_path.parent)
        yield made


def test_note_looks_backup_and_restore_leave_the_record_to_the_service(shed: Shed, tmp_path: Path) -> None:
    record = shed.store_path.parent
    copy = tmp_path / "copy.db"
    for command in (
        ("note", "tub", "stir"), ("now",), ("check", "--listen", "0"), ("backup", str(copy)), ("restore", str(copy)),
        ("note", "tub", "check", "amber"), ("now",),
    ):  # fmt: skip
        said = shed.run(*command)
        assert said.returncode in (0, 1 if command[0] == "check" else 0), said.stdout + said.stderr
        assert not_the_services(record) == [], f"after {command[0]}"
    assert len(list((record / "inbox").glob("*.json"))) == 2
    assert copy.stat().st_uid == os.getuid(), "a copy belongs to the place it was put in"


def test_a_note_before_the_first_start_is_the_services_to_take(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        record = shed.store_path.parent
        record.mkdir()
        give_away(record)
        assert shed.run("note", "tub", "stir").returncode == 0
        assert not_the_services(record) == []
