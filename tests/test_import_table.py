"""Holds the table of rooms: who may import whom, and what pure rooms must not touch. Walks the real imports."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "vatwatch"

LEAVES = {"records", "terms", "errors"}
# room or module: what it may import from vatwatch, besides itself. The table stands in DEVELOPERS.md too.
ALLOWED: dict[str, set[str]] = {
    "records": {"terms"},
    "terms": set(),
    "errors": set(),
    "chemistry": LEAVES,
    "vat": {"chemistry", *LEAVES},
    "probes": LEAVES,
    "store": LEAVES,
    "outlets": LEAVES,
    "dyeing": LEAVES,
    "page": {"dyeing", "season", "store", *LEAVES},
    "season": {"chemistry", "dyeing", "store", "vat", *LEAVES},
    "rehearsal": LEAVES,
    "clock_sync": set(),
    "clock": {"clock_sync"},
    "arrivals": {"retiming", "vat", *LEAVES},
    "retiming": {"clock", "judging", "store", "vat", *LEAVES},
    "service_manager": set(),
    "port_tables": {"probes"},
    "outlet_tables": {"outlets", "port_tables", *LEAVES},
    "file_rights": LEAVES,
    "summons": set(),
    "secret_files": {"config", "file_rights", *LEAVES},
    "reloading": {"config", "outlets", "secret_files", *LEAVES},
    "config": {"chemistry", "file_rights", "outlet_tables", "port_tables", "vat", *LEAVES},
    "in_force": {"chemistry", "config", "vat", *LEAVES},
    "calibration_due": {"vat", *LEAVES},
    "handed_in": {"vat", *LEAVES},
    "shed_watch": {"calibration_due", "store", "vat", *LEAVES},
    "shed_facts": {"clock", "store", "vat", *LEAVES},
    "calibrating": {"assembly", "chemistry", "config", "probes", "store", "vat", *LEAVES},
    "calibration_dialogue": {"calibrating", "chemistry", "vat", *LEAVES},
    "assembly": {"config", "in_force", "chemistry", "vat", "port_tables", "probes", *LEAVES},
    "destinations": {"config", "outlets", "secret_files", *LEAVES},
    "judging": {"restoring", "store", "vat", *LEAVES},
    "trial_settings": {"assembly", "config", "store", "vat", *LEAVES},
    "recorder": {"arrivals", "retiming", "handed_in", "judging", "saving", "shed_watch", "clock", "store", "vat", *LEAVES},
    "daemon": {
        "assembly", "clock", "clock_sync", "config", "destinations",
        "in_force", "outlets", "page", "probes", "recorder", "reloading", "secret_files", "service_manager",
        "shed_facts", "shed_watch", "store", "summons", "vat",
        *LEAVES,
    },
    "saving": {"store", *LEAVES},
    "restoring": {"assembly", "store", "vat", *LEAVES},
    "explain": {"restoring", "store", "vat", *LEAVES},
    "terminal": {"page", "store", *LEAVES},
    "asking": LEAVES,
    "first_settings": {"chemistry", "commissioning", "probes", "vat", *LEAVES},
    "probe_interview": {"asking", "chemistry", "first_settings", "probes", *LEAVES},
    "interview": {
        "asking", "assembly", "config", "first_settings", "outlets", "page", "probe_interview", "vat", *LEAVES
    },
    "commissioning": {"chemistry", "config", "probes", *LEAVES},
    "checkup": {
        "assembly", "calibration_due", "config", "daemon", "destinations", "outlet_tables", "outlets", "probes",
        "secret_files", "store", *LEAVES,
    },
    "demo": {
        "clock", "config", "daemon", "page", "rehearsal", "season", "store", "terminal", *LEAVES
    },
    "commands": {
        "asking", "chemistry", "interview",
        "calibrating", "calibration_dialogue", "calibration_due",
        "assembly", "explain", "checkup", "commissioning", "config", "daemon", "demo", "destinations", "handed_in", "page",
        "season", "store",
        "secret_files", "terminal", "trial_settings", "vatwatch", *LEAVES,
    },
    "cli": {"commands", "store", "vatwatch", *LEAVES},
}  # fmt: skip
PURE = ("chemistry", "dyeing", "vat", "records", "terms", "errors")
PURE_MODULES = (
    "probes/lines.py",
    "probes/sdi12.py",
    "probes/modbus.py",
    "probes/inference.py",
    "outlets/homie.py",
    "outlets/mqtt_actions.py",
    "outlets/rounds.py",
    "outlets/digests.py",
    "page/wording.py",
    "page/hand.py",
)
NOT_PURE = {
    "asyncio", "io", "logging", "multiprocessing", "os", "pathlib", "random", "secrets", "select", "serial", "shutil",
    "signal", "socket", "sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "urllib", "uuid",
}  # fmt: skip
ONE_ROOM_ONLY = {"sqlite3": "store", "serial": "probes", "paho": "outlets", "influxdb_client": "outlets"}
# `vatwatch check` connects to the broker under a name of its own.
ONE_ROOM_EXCEPTIONS = {("paho", "checkup"), ("influxdb_client", "season")}
"""`checkup` asks a broker; `season` writes line protocol with the library whose text it is, and sends nothing."""
LONGEST_FILE = 400


def room_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def imports_of(path: Path) -> set[str]:
    """Every module named in an import, in full, wherever in the file it stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the room"
            module = node.module or ""
            found |= {f"{module}.{alias.name}" for alias in node.names} if module == "vatwatch" else {module}
    return found


FILES = sorted(PACKAGE.rglob("*.py"))


def test_there_is_something_to_walk() -> None:
    assert len(FILES) > 40
    assert {room_of(path) for path in FILES} - {"__init__"} == set(ALLOWED)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_follow_the_table(path: Path) -> None:
    room = room_of(path)
    if room == "__init__":
        return
    named = imports_of(path)
    rooms = {name.split(".")[1] if "." in name else "vatwatch" for name in named if name.split(".")[0] == "vatwatch"}
    wrong = rooms - ALLOWED[room] - {room, "__version__"}
    assert not wrong, f"{room} must not import {sorted(wrong)}"
    for library, owner in ONE_ROOM_ONLY.items():
        if room != owner and (library, room) not in ONE_ROOM_EXCEPTIONS:
            assert library not in {name.split(".")[0] for name in named}, f"only {owner} may import {library}"


@pytest.mark.parametrize(
    "path",
    [p for p in FILES if room_of(p) in PURE or str(p.relative_to(PACKAGE)) in PURE_MODULES],
    ids=lambda p: str(p.relative_to(PACKAGE)),
)
def test_pure_rooms_have_no_clock_and_no_io(path: Path) -> None:
    top = {name.split(".")[0] for name in imports_of(path)}
    assert not top & NOT_PURE
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "eval", "exec"}
    text = path.read_text(encoding="utf-8")
    assert ".now(" not in text
    assert ".today(" not in text


def test_only_one_file_knows_the_serial_library() -> None:
    users = [
        str(path.relative_to(PACKAGE))
        for path in FILES
        if "serial" in {name.split(".")[0] for name in imports_of(path)}
    ]
    assert users == ["probes/serial_port.py"]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_stay_readable(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_FILE, f"{lines} lines: does it do two jobs?"
