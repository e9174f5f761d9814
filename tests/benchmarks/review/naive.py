"""A naive review: pandas over the raw rows. `python -m tests.benchmarks.review.naive ROWS.db` prints its figures as JSON.

What one would write in an afternoon: read all rows, count hours by condition, by month and hour, and lowest, mean and
highest in 800 parts. No excursions, no feeds, no page.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from contextlib import closing

import pandas as pd

QUANTITIES = ["ph", "ph_25c", "margin_mv", "share", "temperature_c"]
PARTS = 800


def naive_figures(path: str) -> dict[str, dict[str, float]]:
    """Hours by vat and condition; the curves are computed and let go."""
    with closing(sqlite3.connect(path)) as connection:
        rows = pd.read_sql_query("SELECT * FROM scans", connection)
        step_ms = connection.execute("SELECT step_ms FROM plan").fetchone()[0]
    times = pd.to_datetime(rows["slot_ms"] - step_ms, unit="ms", utc=True).dt.tz_convert("Europe/Berlin")
    rows["month"] = times.dt.strftime("%Y-%m")
    rows["hour"] = (rows["slot_ms"] - 1) // 3_600_000
    first, last = rows["slot_ms"].min(), rows["slot_ms"].max()
    rows["part"] = (rows["slot_ms"] - first) * PARTS // (last - first + 1)
    hours = rows.groupby(["vat", "condition"]).size() * step_ms / 3_600_000
    rows.groupby(["vat", "month", "condition"]).size()
    rows.groupby(["vat", "hour", "condition"]).size()
    rows.groupby(["vat", "part"])[QUANTITIES].agg(["min", "mean", "max"])
    return {vat: {str(word): float(value) for word, value in hours[vat].items()} for vat in rows["vat"].unique()}


if __name__ == "__main__":
    print(json.dumps(naive_figures(sys.argv[1])))
