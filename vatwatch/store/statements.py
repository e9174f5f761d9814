"""The statements of the store, built once from the column lists. Runs nothing.

Only names written in this room are put into a statement's text; whatever comes from outside is bound.
"""

# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Sequence

from vatwatch.records import Stream
from vatwatch.store import columns


def listed(names: Sequence[str], table: str = "") -> str:
    """The columns as SQL, each with its table in front where one is given."""
    prefix = f"{table}." if table else ""
    return ", ".join(f"{prefix}{column}" for column in names)


def insert(table: str, names: Sequence[str], *, once_by: str = "") -> str:
    """INSERT of one row; with `once_by`, a row whose value in that column is already there is passed over."""
    places = ", ".join("?" * len(names))
    repeat = f" ON CONFLICT ({once_by}) DO NOTHING" if once_by else ""
    return f"INSERT INTO {table} ({listed(names)}) VALUES ({places}){repeat}"


INSERT_SCAN = insert("scans", ("settings_version", *columns.SCAN))
INSERT_SAMPLE = insert("samples", ("scan_number", *columns.SAMPLE))
INSERT_ALARM_EVENT = insert("alarm_events", ("scan_number", *columns.ALARM_EVENT))
INSERT_PUSH = insert("pushes", ("scan_number", *columns.PUSH))
INSERT_JOURNAL = insert("journal", ("taken_slot_ms", *columns.JOURNAL), once_by="entry_id")
INSERT_ACTION = insert("alarm_actions", ("taken_slot_ms", *columns.ACTION), once_by="action_id")
INSERT_PORT_EVENT = insert("port_events", ("taken_slot_ms", *columns.PORT_EVENT))
INSERT_CARD = insert("vat_cards", ("settings_version", "place", *columns.CARD))
REPLACE_DELIVERY = insert("deliveries", columns.DELIVERY).replace("INSERT", "REPLACE", 1)
REPLACE_SNAPSHOT = insert("state_snapshots", ("vat", "slot_ms", "state_json")).replace("INSERT", "REPLACE", 1)

SELECT_SNAPSHOT = "SELECT slot_ms, state_json FROM state_snapshots WHERE vat = ?"
SELECT_SETTINGS = "SELECT settings_json FROM settings WHERE settings_version = ?"
SELECT_NEWEST_SETTINGS = "SELECT settings_version, settings_json FROM settings ORDER BY settings_version DESC LIMIT 1"
SELECT_CARDS = (
    f"SELECT {listed(columns.CARD)} FROM vat_cards"
    " WHERE settings_version = (SELECT max(settings_version) FROM settings) ORDER BY place"
)
# Hop from name to name through the index: a DISTINCT would walk every scan of the season.
SELECT_FIRST_VAT = "SELECT min(vat) FROM scans"
SELECT_NEXT_VAT = "SELECT min(vat) FROM scans WHERE vat > ?"
SELECT_SPAN_OF_VAT = (
    "SELECT (SELECT min(slot_ms) FROM scans WHERE vat = ?1), (SELECT max(slot_ms) FROM scans WHERE vat = ?1)"
)
_SCANS = f"SELECT {listed(columns.SCAN)} FROM scans WHERE vat = ?"
SELECT_LAST_SCAN = f"{_SCANS} ORDER BY slot_ms DESC LIMIT 1"
SELECT_SCANS = f"{_SCANS} AND slot_ms >= ? AND slot_ms < ? ORDER BY slot_ms LIMIT ?"
SELECT_SAMPLES = (
    f"SELECT number, {listed(columns.SAMPLE)} FROM samples"
    " WHERE vat = ? AND (time_ms, number) > (?, ?) AND time_ms < ? ORDER BY time_ms, number LIMIT ?"
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
SELECT_DELIVERIES = f"SELECT {listed(columns.DELIVERY)} FROM deliveries ORDER BY outlet, stream"
SELECT_DELIVERY = f"SELECT {listed(columns.DELIVERY)} FROM deliveries WHERE outlet = ? AND stream = ?"

_STREAM_COLUMNS = {
    Stream.SCANS: columns.SCAN,
    Stream.ALARM_EVENTS: columns.ALARM_EVENT,
    Stream.JOURNAL: columns.JOURNAL,
    Stream.PUSHES: columns.PUSH,
}
# Each stream is one table of the stream's own name, numbered by `number`.
SELECT_ROWS_AFTER = {
    stream: f"SELECT number, {listed(names)} FROM {stream.value} WHERE number > ? ORDER BY number LIMIT ?"
    for stream, names in _STREAM_COLUMNS.items()
}
SELECT_NEWEST_NUMBER = {stream: f"SELECT coalesce(max(number), 0) FROM {stream.value}" for stream in Stream}

SELECT_REPLAYED_SCANS = (
    f"SELECT number, settings_version, {listed(columns.SCAN)} FROM scans"
    " WHERE vat = ? AND slot_ms >= ? AND slot_ms < ? ORDER BY slot_ms LIMIT ?"
)
SELECT_SLOT_BEFORE = "SELECT max(slot_ms) FROM scans WHERE vat = ? AND slot_ms < ?"


def taken_with_scans(table: str, names: Sequence[str]) -> str:
    """Rows of `table` that belong to scans of a vat between two slots (both included), by slot and in order."""
    # CROSS JOIN fixes the order of the loops, so that rows come slot by slot without being sorted first.
    return (
        f"SELECT scans.slot_ms, {listed(names, table)} FROM scans CROSS JOIN {table}"
        f" ON {table}.scan_number = scans.number WHERE scans.vat = ? AND scans.slot_ms BETWEEN ? AND ?"
        f" ORDER BY scans.slot_ms, {table}.number"
    )


def handed_in(table: str, names: Sequence[str]) -> str:
    """Rows of `table` about a vat taken after one slot (NULL: from the beginning) up to another, in order."""
    return (
        f"SELECT taken_slot_ms, {listed(names)} FROM {table}"
        " WHERE vat = ?1 AND taken_slot_ms > coalesce(?2, -9223372036854775808) AND taken_slot_ms <= ?3"
        " ORDER BY taken_slot_ms, number"
    )


REPLAYED_SAMPLES = taken_with_scans("samples", columns.SAMPLE)
REPLAYED_ALARM_EVENTS = taken_with_scans("alarm_events", columns.ALARM_EVENT)
REPLAYED_PUSHES = taken_with_scans("pushes", columns.PUSH)
REPLAYED_JOURNAL = handed_in("journal", columns.JOURNAL)
REPLAYED_ACTIONS = handed_in("alarm_actions", columns.ACTION)
