"""The tables of the first layout, as released. Never edit them: older files look like this."""

from __future__ import annotations

STATEMENTS = (
    """CREATE TABLE settings (
        -- The settings that change results, whole, from the slot on at which they came into force.
        settings_version INTEGER PRIMARY KEY AUTOINCREMENT,
        slot_ms INTEGER NOT NULL,
        settings_json TEXT NOT NULL
    )""",
    """CREATE TABLE vat_cards (
        -- What is known of each vat without measuring it, as it stood in one version of the settings.
        settings_version INTEGER NOT NULL REFERENCES settings (settings_version),
        place INTEGER NOT NULL, -- the order in which the settings name the vats
        vat TEXT NOT NULL,
        name TEXT NOT NULL,
        chemistry TEXT NOT NULL,
        fibre TEXT NOT NULL,
        volume_l,
        warmed INTEGER NOT NULL,
        ph_low NOT NULL,
        ph_high NOT NULL,
        temperature_low_c NOT NULL,
        temperature_high_c NOT NULL,
        ceiling_c NOT NULL,
        reduction_low NOT NULL, -- share of leuco indigo, 0 to 1
        settle_minutes NOT NULL,
        cautions_json TEXT NOT NULL,
        orp_meaning TEXT NOT NULL,
        PRIMARY KEY (settings_version, place)
    )""",
    """CREATE TABLE scans (
        -- One vat at the end of one slot of the scan grid: what was measured and what was made of it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        settings_version INTEGER NOT NULL REFERENCES settings (settings_version),
        slot_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        ph,
        ph_sigma,
        ph_flag INTEGER NOT NULL,
        ph_reason TEXT NOT NULL,
        ph_time_ms INTEGER,
        orp_mv,
        orp_mv_sigma,
        orp_mv_flag INTEGER NOT NULL,
        orp_mv_reason TEXT NOT NULL,
        orp_mv_time_ms INTEGER,
        temperature_c,
        temperature_c_sigma,
        temperature_c_flag INTEGER NOT NULL,
        temperature_c_reason TEXT NOT NULL,
        temperature_c_time_ms INTEGER,
        eh_mv, -- against the standard hydrogen electrode
        eh_mv_sigma,
        ph_25c,
        reduction_share, -- NULL in all seven columns: no estimate
        reduction_share_low,
        reduction_share_high,
        reduction_margin_mv,
        reduction_margin_mv_sigma,
        reduction_saturated INTEGER,
        reduction_probability_fit,
        condition TEXT NOT NULL,
        shortfalls_json TEXT NOT NULL,
        settled_from_ms INTEGER,
        UNIQUE (vat, slot_ms)
    )""",
    """CREATE TABLE samples (
        -- Every value a probe delivered, unaltered, with the scan it was taken into; number keeps the order.
        number INTEGER PRIMARY KEY,
        scan_number INTEGER NOT NULL REFERENCES scans (number),
        time_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        probe TEXT NOT NULL,
        signal TEXT NOT NULL, -- names the unit of value
        value,
        flag INTEGER NOT NULL,
        reason TEXT NOT NULL
    )""",
    "CREATE INDEX samples_of_scan ON samples (scan_number)",
    "CREATE INDEX samples_of_vat ON samples (vat, time_ms)",
    """CREATE TABLE alarm_events (
        -- Every transition of every alarm, with the scan that caused it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        scan_number INTEGER NOT NULL REFERENCES scans (number),
        slot_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        alarm TEXT NOT NULL,
        occurrence INTEGER NOT NULL,
        transition TEXT NOT NULL,
        from_state TEXT NOT NULL,
        to_state TEXT NOT NULL,
        value, -- value and limit_value in the unit of the alarm's own quantity
        limit_value,
        by_whom TEXT NOT NULL
    )""",
    "CREATE INDEX alarm_events_of_scan ON alarm_events (scan_number)",
    "CREATE INDEX alarm_events_of_alarm ON alarm_events (vat, alarm)",
    "CREATE INDEX alarm_events_by_slot ON alarm_events (slot_ms)",
    """CREATE TABLE pushes (
        -- Every message meant for a phone, whole, with the scan that caused it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        scan_number INTEGER NOT NULL REFERENCES scans (number),
        push_id TEXT NOT NULL,
        slot_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        alarm TEXT NOT NULL,
        urgency TEXT NOT NULL,
        title TEXT NOT NULL,
        body TEXT NOT NULL,
        chart TEXT NOT NULL
    )""",
    "CREATE INDEX pushes_of_scan ON pushes (scan_number)",
    "CREATE INDEX pushes_by_slot ON pushes (slot_ms)",
    """CREATE TABLE journal (
        -- What dyers did and saw; taken_slot_ms is the slot at which the judgement learnt of it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        taken_slot_ms INTEGER NOT NULL,
        entry_id TEXT NOT NULL UNIQUE,
        time_ms INTEGER NOT NULL,
        logged_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        kind TEXT NOT NULL,
        what TEXT NOT NULL,
        grams,
        litres,
        minutes,
        text TEXT NOT NULL,
        by_whom TEXT NOT NULL,
        details_json TEXT NOT NULL -- pairs of name and text
    )""",
    "CREATE INDEX journal_by_time ON journal (time_ms)",
    "CREATE INDEX journal_by_taking ON journal (vat, taken_slot_ms)",
    """CREATE TABLE alarm_actions (
        -- What people did to alarms; taken_slot_ms as in journal.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        taken_slot_ms INTEGER NOT NULL,
        action_id TEXT NOT NULL UNIQUE,
        time_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        alarm TEXT NOT NULL,
        verb TEXT NOT NULL,
        until_ms INTEGER,
        by_whom TEXT NOT NULL
    )""",
    "CREATE INDEX alarm_actions_by_taking ON alarm_actions (vat, taken_slot_ms)",
    """CREATE TABLE port_events (
        -- Serial ports opened, lost or talking nonsense.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        taken_slot_ms INTEGER NOT NULL,
        time_ms INTEGER NOT NULL,
        port TEXT NOT NULL,
        event TEXT NOT NULL,
        detail TEXT NOT NULL
    )""",
    "CREATE INDEX port_events_by_time ON port_events (time_ms)",
    """CREATE TABLE state_snapshots (
        -- The newest kept state of each vat's pipeline, as it stood after slot_ms: a restart replays from there.
        vat TEXT PRIMARY KEY,
        slot_ms INTEGER NOT NULL,
        state_json TEXT NOT NULL
    )""",
    """CREATE TABLE deliveries (
        -- How far each outlet has come with each stream; position is the number of the last row dealt with.
        outlet TEXT NOT NULL,
        stream TEXT NOT NULL,
        position INTEGER NOT NULL,
        delivered INTEGER NOT NULL,
        dropped INTEGER NOT NULL,
        failures INTEGER NOT NULL,
        last_ok_ms INTEGER,
        last_error TEXT NOT NULL,
        last_error_ms INTEGER,
        PRIMARY KEY (outlet, stream)
    )""",
)
