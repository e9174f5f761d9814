"""A review's figures counted again from a season's truth, in plain Python, without the store and without the season's code.

Nothing here imports `vatwatch.season`: two countings by the same code would agree on the same mistake.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from datetime import UTC, datetime, tzinfo
from statistics import median

import numpy as np

from tests.season.season_truth import DAY_MS, HOUR_MS, MINUTE_MS, START_MS, WORDS, Truth, VatTruth
from vatwatch.records import AlarmEvent, JournalEntry
from vatwatch.terms import AlarmState, EntryKind

Response = tuple[int, str, float, float | None, float | None]
DEEDS = {"feed", "stir", "top-up", "cover", "remade", "probe-out", "probe-back"}
REDUCTANT = {"hydrosulfite", "thiourea dioxide", "fructose", "iron sulphate", "bran", "madder"}


def own_journal(truth: Truth, vat: str) -> list[JournalEntry]:
    """A vat's entries without those taken back and without the taking back."""
    void = {entry.what for entry in truth.journal if entry.kind is EntryKind.UNDO}
    return [
        entry
        for entry in truth.journal
        if entry.vat == vat and entry.entry_id not in void and entry.kind is not EntryKind.UNDO
    ]


def hours_of(vat: VatTruth, step_ms: int) -> dict[str, dict[str, int]]:
    """Slots by condition, by first shortfall of what was not dyeable, by every shortfall; as ms."""
    conditions: Counter[str] = Counter()
    cost: Counter[str] = Counter()
    short: Counter[str] = Counter()
    for code, slots in zip(*np.unique(vat.code, return_counts=True), strict=True):
        spent = int(slots) * step_ms
        if code < 0:
            conditions["not recorded"] += spent
            continue
        condition, shortfalls = WORDS[code]
        conditions[condition] += spent
        for name in shortfalls:
            short[name] += spent
        if condition != "dyeable":
            cost[shortfalls[0]] += spent
    return {"conditions": dict(conditions), "cost": dict(cost), "short": dict(short)}


def months_dyeable(vat: VatTruth, step_ms: int, zone: tzinfo) -> dict[str, int]:
    """Dyeable ms by local month: each slot counts where it begins."""
    found: Counter[str] = Counter()
    for slot_ms in vat.slots_ms[(vat.code == 0) | (vat.code == 1)].tolist():
        hour_ms = (slot_ms - 1) // HOUR_MS * HOUR_MS
        found[datetime.fromtimestamp(hour_ms / 1000, zone).strftime("%Y-%m")] += step_ms
    return dict(found)


def dyeable_by_hour(vat: VatTruth, step_ms: int) -> dict[int, int]:
    found: Counter[int] = Counter()
    for slot_ms in vat.slots_ms[(vat.code == 0) | (vat.code == 1)].tolist():
        found[(slot_ms - 1) // HOUR_MS * HOUR_MS] += step_ms
    return dict(found)


def extremes_of(vat: VatTruth) -> dict[str, tuple[float, float, float]]:
    """Lowest, mean, highest of what was recorded."""
    there = vat.code >= 0
    columns = {
        "reduction_share": vat.share, "reduction_margin_mv": vat.margin_mv, "ph": vat.ph, "ph_25c": vat.ph_25c,
        "temperature_c": vat.temperature_c,
    }  # fmt: skip
    found = {}
    for name, column in columns.items():
        values = column[there & ~np.isnan(column)]
        found[name] = (float(values.min()), float(values.sum() / len(values)), float(values.max()))
    return found


def curve_of(vat: VatTruth, column: str, hours: int) -> list[tuple[float, float, float, int]]:
    """Lowest, mean, highest and count by so many hours from the season's beginning; empty parts left out."""
    values = getattr(vat, column)
    there = (vat.code >= 0) & ~np.isnan(values)
    parts = (vat.slots_ms - START_MS) // (hours * HOUR_MS)
    found = []
    for part in np.unique(parts[there]):
        mine = values[there & (parts == part)]
        found.append((float(mine.min()), float(mine.mean()), float(mine.max()), len(mine)))
    return found


def excursions_of(truth: Truth, vat: VatTruth) -> list[dict[str, object]]:
    """Every alarm of a vat from beginning to end, and what people did meanwhile."""
    journal = own_journal(truth, vat.vat)
    grouped: dict[tuple[str, int], list[AlarmEvent]] = defaultdict(list)
    for event in vat.events:
        grouped[event.alarm, event.occurrence].append(event)
    found: list[dict[str, object]] = []
    for (alarm, _), events in grouped.items():
        raised = next(event.slot_ms for event in events if event.transition == "occurs")
        acknowledged = next((event.slot_ms for event in events if event.transition == "acknowledge"), None)
        over = next((e.slot_ms for e in events if e.to_state in (AlarmState.NORMAL, AlarmState.RETURNED)), None)
        during = [e for e in journal if e.time_ms > raised and (over is None or e.time_ms <= over)]
        noticed = [time for time in [acknowledged, *(entry.time_ms for entry in during)] if time is not None]
        acted = [entry.time_ms for entry in during if entry.kind.value in DEEDS]
        before = [e for e in journal if e.time_ms <= raised and (e.kind.value in DEEDS or e.kind is EntryKind.DIP)]
        last = before[-1] if before and raised - before[-1].time_ms <= 6 * HOUR_MS else None
        found.append(
            {
                "alarm": alarm,
                "raised": raised,
                "acknowledged": acknowledged,
                "over": over,
                "notice": min(noticed) - raised if noticed else None,
                "act": acted[0] - raised if acted else None,
                "recover": None if over is None else over - raised,
                "before": last.kind.value if last else "nothing written down",
                "farthest": _farthest(alarm, [event.value or 0.0 for event in events]),
            }
        )
    return found


def _farthest(alarm: str, values: list[float]) -> float:
    if alarm in ("off-reduction", "off-ph-low"):
        return min(values)
    if alarm == "overheat":
        return max(values)
    return max(values) if values[0] >= 10.0 else min(values)


def alarm_figures(excursions: list[dict[str, object]], days: float) -> dict[str, float]:
    """Rate, needless, stale and the like."""
    ended = [one for one in excursions if one["recover"] is not None]
    by_alarm: dict[object, list[dict[str, object]]] = defaultdict(list)
    for one in excursions:
        by_alarm[one.get("vat"), one["alarm"]].append(one)
    again = 0
    for group in by_alarm.values():
        group.sort(key=lambda one: int(str(one["raised"])))
        for earlier, later in itertools.pairwise(group):
            if earlier["over"] is not None:
                again += 0 <= int(str(later["raised"])) - int(str(earlier["over"])) <= HOUR_MS
    return {
        "raised": len(excursions),
        "per_day": len(excursions) / days,
        "acknowledged": sum(one["acknowledged"] is not None for one in excursions),
        "needless": sum(one["act"] is None for one in ended),
        "ended": len(ended),
        "stale": sum(int(str(one["recover"])) > DAY_MS for one in ended),
        "again": again,
    }


def responses_of(truth: Truth, vat: VatTruth) -> list[Response]:
    """(time, what, grams, change of margin, change of pH) of every feed."""
    journal = own_journal(truth, vat.vat)
    disturbing = [e.time_ms for e in journal if e.kind.value in ("feed", "top-up", "remade")]

    # As the store's hours have it: a slot is in the hour in which it ends.
    def mean(column: str, hour_ms: int) -> float | None:
        low, high = np.searchsorted(vat.slots_ms, [hour_ms, hour_ms + HOUR_MS], side="left")
        values = getattr(vat, column)[low:high]
        values = values[(vat.code[low:high] >= 0) & ~np.isnan(values)]
        return float(values.mean()) if len(values) else None

    def change(column: str, hour_ms: int) -> float | None:
        before = [mean(column, hour_ms + place * HOUR_MS) for place in (-2, -1)]
        after = [mean(column, hour_ms + place * HOUR_MS) for place in (1, 2, 3)]
        if None in before or None in after:
            return None
        return sum(v for v in after if v is not None) / 3 - sum(v for v in before if v is not None) / 2

    found = []
    for entry in journal:
        if entry.kind is not EntryKind.FEED or not entry.grams:
            continue
        hour_ms = entry.time_ms // HOUR_MS * HOUR_MS
        near = [t for t in disturbing if hour_ms - 2 * HOUR_MS <= t < hour_ms + 4 * HOUR_MS]
        alone = len(near) == 1
        found.append(
            (
                entry.time_ms,
                entry.what.lower(),
                entry.grams,
                change("margin_mv", hour_ms) if alone else None,
                change("ph_25c", hour_ms) if alone else None,
            )
        )
    return found


def use_of(truth: Truth, vat: str, zone: tzinfo) -> dict[str, dict[str, float]]:
    """By local month and `all`: grams of reductant and alkali, dry grams dyed, pieces, weighed pieces."""
    names = ("reductant", "alkali", "dyed", "pieces", "weighed")
    found: dict[str, dict[str, float]] = defaultdict(lambda: dict.fromkeys(names, 0.0))
    for entry in own_journal(truth, vat):
        if entry.kind is EntryKind.FEED and entry.grams:
            kind = "reductant" if entry.what.lower() in REDUCTANT else "alkali"
            for month in (month_of(entry.time_ms, zone), "all"):
                found[month][kind] += entry.grams
    for piece in pieces_of(truth, vat).values():
        for month in (month_of(int(str(piece["last"])), zone), "all"):
            found[month]["pieces"] += 1
            if piece["grams"] is not None:
                found[month]["dyed"] += float(str(piece["grams"]))
                found[month]["weighed"] += 1
    return dict(found)


def month_of(time_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).strftime("%Y-%m")


def pieces_of(truth: Truth, vat: str) -> dict[str, dict[str, object]]:
    """By name: weight, end of the last dip, dips, minutes in the liquor, dips despite a warning, judged or not."""
    found: dict[str, dict[str, object]] = {}
    begun: dict[str, int] = {}
    for entry in own_journal(truth, vat):
        facts = dict(entry.details)
        if entry.kind not in (EntryKind.DIP, EntryKind.OUTCOME):
            continue
        nothing: dict[str, object] = {
            "grams": None,
            "last": 0,
            "dips": 0,
            "minutes": 0.0,
            "despite": 0,
            "judged": False,
        }
        piece = found.setdefault(entry.what, nothing)
        if entry.kind is EntryKind.DIP and facts["part"] == "in":
            begun[entry.entry_id] = entry.time_ms
            piece["dips"] = int(str(piece["dips"])) + 1
            piece["despite"] = int(str(piece["despite"])) + ("despite" in facts)
            if "dry_grams" in facts:
                piece["grams"] = float(facts["dry_grams"])
        elif entry.kind is EntryKind.DIP:
            piece["last"] = entry.time_ms
            piece["minutes"] = float(str(piece["minutes"])) + (entry.time_ms - begun[facts["of"]]) / MINUTE_MS
        elif entry.kind is EntryKind.OUTCOME:
            piece["judged"] = True
    return found


def medians(
    responses: list[tuple[int, str, float, float | None, float | None]],
) -> dict[str, tuple[float | None, float | None]]:
    """By substance: median change of margin and of pH per gram."""
    found = {}
    for what in {one[1] for one in responses}:
        margin = [m / g for _, w, g, m, _ in responses if w == what and m is not None]
        ph = [p / g for _, w, g, _, p in responses if w == what and p is not None]
        found[what] = (median(margin) if margin else None, median(ph) if ph else None)
    return found
