"""The columns of each table that hold a record, in the order of its rows. Holds nothing else."""

from __future__ import annotations

SAMPLE = ("time_ms", "vat", "probe", "signal", "value", "flag", "reason")
SCAN = (
    "slot_ms",
    "vat",
    *(
        f"{quantity}{part}"
        for quantity in ("ph", "orp_mv", "temperature_c")
        for part in ("", "_sigma", "_flag", "_reason", "_time_ms")
    ),
    "eh_mv",
    "eh_mv_sigma",
    "ph_25c",
    "reduction_share",
    "reduction_share_low",
    "reduction_share_high",
    "reduction_margin_mv",
    "reduction_margin_mv_sigma",
    "reduction_saturated",
    "reduction_probability_fit",
    "condition",
    "shortfalls_json",
    "settled_from_ms",
)
ALARM_EVENT = (
    "slot_ms",
    "vat",
    "alarm",
    "occurrence",
    "transition",
    "from_state",
    "to_state",
    "value",
    "limit_value",
    "by_whom",
)
PUSH = ("push_id", "slot_ms", "vat", "alarm", "urgency", "title", "body", "chart")
JOURNAL = (
    "entry_id",
    "time_ms",
    "logged_ms",
    "vat",
    "kind",
    "what",
    "grams",
    "litres",
    "minutes",
    "text",
    "by_whom",
    "details_json",
)
ACTION = ("action_id", "time_ms", "vat", "alarm", "verb", "until_ms", "by_whom")
PORT_EVENT = ("time_ms", "port", "event", "detail")
CARD = (
    "vat",
    "name",
    "chemistry",
    "fibre",
    "volume_l",
    "warmed",
    "ph_low",
    "ph_high",
    "temperature_low_c",
    "temperature_high_c",
    "ceiling_c",
    "reduction_low",
    "settle_minutes",
    "cautions_json",
    "orp_meaning",
)
OUTLOOK = ("vat", "slot_ms", "limit_name", "comes_back", "early_ms", "median_ms", "late_ms")
REJECTED = ("outlet", "stream", "row_number", "time_ms", "reason")
DELIVERY = (
    "outlet",
    "stream",
    "position",
    "delivered",
    "dropped",
    "failures",
    "last_ok_ms",
    "last_error",
    "last_error_ms",
)
