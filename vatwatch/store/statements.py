"""The statements of the store, built once from the column lists. Runs nothing.

Only names written in this room are put into a statement's text; whatever comes from outside is bound.
"""

# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Sequence

from vatwatch.store import columns
from vatwatch.terms import Stream


def listed(names: Sequence[str], table: str = "") -> str:
    """The columns as SQL, each with its table in front where one is given."""
    prefix = f"{table}." if table else ""
    return ", ".join(f"{prefix}{column}" for column in names)


def insert(table: str, names: Sequence[str], *, once_by: str = "") -> str:
    """INSERT of one row; with `once_by`, a row whose value in that column is already there is passed over."""
    places = ", ".join("?" * len(names))
    repeat = f" ON CONFLICT ({once_by}) DO NOTHING" if once_by else ""
    return f"INSERT INTO {table} ({listed(names)}) VALUES ({places}){repeat}"


INSERT_BATCH = insert(
    "hot_batches",
    ("first_number", "scans", "settings_version", "first_slot_ms", "last_slot_ms", "late", "body"),
)
INSERT_STRAY = insert(
    "stray_samples", ("vat", "time_ms", "scan_number", "place", "probe", "signal", "value", "flag", "reason")
)
KEEP_VAT = (
    "INSERT INTO known_vats (vat, first_slot_ms) VALUES (?1, ?2)"
    " ON CONFLICT (vat) DO UPDATE SET first_slot_ms = min(first_slot_ms, ?2)"
)
INSERT_ALARM_EVENT = insert("alarm_events", ("scan_number", *columns.ALARM_EVENT))
INSERT_PUSH = insert("pushes", ("scan_number", *columns.PUSH))
INSERT_JOURNAL = insert("journal", ("taken_slot_ms", *columns.JOURNAL), once_by="entry_id")
INSERT_ACTION = insert("alarm_actions", ("taken_slot_ms", *columns.ACTION), once_by="action_id")
INSERT_PORT_EVENT = insert("port_events", ("taken_slot_ms", *columns.PORT_EVENT))
INSERT_CARD = insert("vat_cards", ("settings_version", "place", *columns.CARD))
KEEP_REJECTED = insert("rejected_rows", columns.REJECTED) + " ON CONFLICT DO NOTHING"
SELECT_REJECTED = (
    f"SELECT {listed(columns.REJECTED)} FROM rejected_rows"
    " WHERE (?1 IS NULL OR outlet = ?1) ORDER BY number DESC LIMIT ?2"
)
REPLACE_DELIVERY = insert("deliveries", columns.DELIVERY).replace("INSERT", "REPLACE", 1)
REPLACE_OUTLOOK = insert("outlooks", columns.OUTLOOK).replace("INSERT", "REPLACE", 1)
FORGET_OUTLOOK = "DELETE FROM outlooks WHERE vat = ?"
REPLACE_SNAPSHOT = insert("state_snapshots", ("vat", "slot_ms", "state_json")).replace("INSERT", "REPLACE", 1)

SELECT_SNAPSHOT = "SELECT slot_ms, state_json FROM state_snapshots WHERE vat = ?"
SELECT_OUTLOOK = f"SELECT {listed(columns.OUTLOOK)} FROM outlooks WHERE vat = ?"
SELECT_SETTINGS = "SELECT settings_json FROM settings WHERE settings_version = ?"
SELECT_NEWEST_SETTINGS = "SELECT settings_version, settings_json FROM settings ORDER BY settings_version DESC LIMIT 1"
SELECT_CARDS = (
    f"SELECT {listed(columns.CARD)} FROM vat_cards"
    " WHERE settings_version = (SELECT max(settings_version) FROM settings) ORDER BY place"
)
SELECT_CARD_HISTORY = (
    f"SELECT slot_ms, {listed(columns.CARD)} FROM vat_cards JOIN settings USING (settings_version)"
    " ORDER BY settings_version, place"
)
SELECT_ALL_SETTINGS = "SELECT settings_version, slot_ms, settings_json FROM settings ORDER BY settings_version"
SELECT_ALL_CARDS = f"SELECT settings_version, {listed(columns.CARD)} FROM vat_cards ORDER BY settings_version, place"
SELECT_VATS = "SELECT vat FROM known_vats ORDER BY vat"
SELECT_FIRST_SLOT = "SELECT min(first_slot_ms) FROM known_vats"
SELECT_STRAYS = (
    "SELECT time_ms, scan_number, place, vat, probe, signal, value, flag, reason FROM stray_samples"
    " WHERE vat = ? AND (time_ms, scan_number, place) > (?, ?, ?) AND time_ms < ?"
    " ORDER BY time_ms, scan_number, place LIMIT ?"
)
SELECT_JOURNAL = (
    f"SELECT {listed(columns.JOURNAL)} FROM journal"
    " WHERE (?1 IS NULL OR vat = ?1) AND time_ms >= ?2 AND time_ms < ?3 ORDER BY time_ms, number"
)
_ALARM_EVENTS = f"SELECT {listed(columns.ALARM_EVENT)} FROM alarm_events"
SELECT_ALARM_EVENTS = (
    f"{_ALARM_EVENTS} WHERE (?1 IS NULL OR vat = ?1) AND slot_ms >= ?2 AND slot_ms < ?3 ORDER BY slot_ms, number"
)
SELECT_STANDING_ALARMS = (
    f"{_ALARM_EVENTS} WHERE number IN (SELECT max(number) FROM alarm_events GROUP BY vat, alarm)"
    " AND to_state <> ? ORDER BY number"
)
SELECT_PUSHES = f"SELECT {listed(columns.PUSH)} FROM pushes WHERE slot_ms >= ? AND slot_ms < ? ORDER BY slot_ms, number"
SELECT_PORT_EVENTS = (
    f"SELECT {listed(columns.PORT_EVENT)} FROM port_events WHERE time_ms >= ? AND time_ms < ? ORDER BY time_ms, number"
)
SELECT_SHELVED_UNTIL = (
    "SELECT until_ms FROM alarm_actions WHERE vat = ? AND alarm = ? AND verb = 'shelve' AND taken_slot_ms <= ?"
    " ORDER BY number DESC LIMIT 1"
)
SELECT_DELIVERIES = f"SELECT {listed(columns.DELIVERY)} FROM deliveries ORDER BY outlet, stream"
SELECT_DELIVERY = f"SELECT {listed(columns.DELIVERY)} FROM deliveries WHERE outlet = ? AND stream = ?"

_STREAM_COLUMNS = {
    Stream.ALARM_EVENTS: columns.ALARM_EVENT,
    Stream.JOURNAL: columns.JOURNAL,
    Stream.PUSHES: columns.PUSH,
}
# Each of these streams is one table of the stream's own name, numbered by `number`; for scans see shelf.py.
SELECT_ROWS_AFTER = {
    stream: f"SELECT number, {listed(names)} FROM {stream.value} WHERE number > ? ORDER BY number LIMIT ?"
    for stream, names in _STREAM_COLUMNS.items()
}
SELECT_NEWEST_NUMBER = {stream: f"SELECT coalesce(max(number), 0) FROM {stream.value}" for stream in _STREAM_COLUMNS}


def of_scans(table: str, names: Sequence[str]) -> str:
    """Rows of `table` that belong to scans of a range of numbers (both included), by scan and in order."""
    return (
        f"SELECT scan_number, {listed(names)} FROM {table} WHERE scan_number BETWEEN ? AND ?"
        " ORDER BY scan_number, number"
    )


def handed_in(table: str, names: Sequence[str]) -> str:
    """Rows of `table` about a vat taken after one slot (NULL: from the beginning) up to another, in order."""
    return (
        f"SELECT taken_slot_ms, {listed(names)} FROM {table}"
        " WHERE vat = ?1 AND taken_slot_ms > coalesce(?2, -9223372036854775808) AND taken_slot_ms <= ?3"
        " ORDER BY taken_slot_ms, number"
    )


REPLAYED_ALARM_EVENTS = of_scans("alarm_events", columns.ALARM_EVENT)
REPLAYED_PUSHES = of_scans("pushes", columns.PUSH)
REPLAYED_JOURNAL = handed_in("journal", columns.JOURNAL)
REPLAYED_ACTIONS = handed_in("alarm_actions", columns.ACTION)
