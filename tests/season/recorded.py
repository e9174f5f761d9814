"""A record as the watch leaves it: rehearsed vats judged slot by slot and stored with journal, actions and settings versions.

The vats are the rehearsal's (other equations than the judgement's). Everything is seeded. Here the slots are
judged by the same step the watch uses, which is what makes a long record cheap; a real watch's record is replayed in the
end-to-end tests.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vatwatch.assembly import judgement_text, vat_settings
from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.config import Config, check_config
from vatwatch.records import AlarmAction, Batch, JournalEntry, Sample, StepResult
from vatwatch.rehearsal.electrodes import ProbeSet, probe_set
from vatwatch.rehearsal.liquor import SimulatedVat, draw_vat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, EntryKind, Signal
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
START_MS = 20_000 * DAY_MS
SLOTS_TOGETHER = 60
CHEMISTRIES = ("hydrosulfite", "woad", "thiourea-dioxide", "bran-madder")


def raw_settings(vats: int, scan_s: int = 60) -> dict[str, Any]:
    """A settings file's content for so many warmed vats, each with three probes."""
    ports = {
        f"p{number}": {"device": f"/dev/p{number}", "line": [{"fields": ["ph", "orp", "t"], "delimiter": ","}]}
        for number in range(vats)
    }
    probes: dict[str, Any] = {}
    for number in range(vats):
        common = {"vat": f"vat{number}", "port": f"p{number}", "every_s": scan_s, "stale_after_s": 3 * scan_s}
        probes[f"vat{number}-ph"] = {
            **common, "field": "ph", "signal": "ph",
            "calibration": {"buffers_ph": [7.0, 10.01], "readings_ph": [7.0, 10.01]},
        }  # fmt: skip
        probes[f"vat{number}-orp"] = {
            **common, "field": "orp", "signal": "orp_mv", "reference": "agcl_3m_kcl", "calibration": {"offset_mv": 0.0},
        }  # fmt: skip
        probes[f"vat{number}-t"] = {**common, "field": "t", "signal": "temperature_c"}
    tables = {
        f"vat{number}": {
            "name": f"Vat {number}", "chemistry": CHEMISTRIES[number % len(CHEMISTRIES)], "volume_l": 40, "warmed": True,
            "window": _window(number),
        }
        for number in range(vats)
    }  # fmt: skip
    return {"site": {"scan_s": scan_s}, "vat": tables, "port": ports, "probe": probes}


def settings_file(directory: Path, vats: int = 1, scan_s: int = 60) -> Path:
    """The same settings as a file, with its record in `directory`/record; the file is written, the record is not."""
    path = directory / "vatwatch.toml"
    raw = raw_settings(vats, scan_s)
    raw["site"]["data"] = "record"
    path.write_text("\n".join(f"{name} = {_toml(table)}" for name, table in raw.items()) + "\n", encoding="utf-8")
    return path


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return json.dumps(value)


def _liquor(number: int) -> SimulatedVat:
    liquor = draw_vat(1 + number, CHEMISTRIES[number % len(CHEMISTRIES)], START_MS)
    liquor.advance(START_MS + DAY_MS)
    return liquor


def _window(number: int) -> dict[str, float]:
    """The dyer's own limits follow the vat as it begins: just inside, so that what goes wrong passes them."""
    truth = _liquor(number).truth()
    alkali = RECIPES[Chemistry(CHEMISTRIES[number % len(CHEMISTRIES)])].alkali
    ph, warm = ph_equivalent_25c(truth.ph, truth.temperature_c, alkali), round(truth.temperature_c)
    return {
        "ph_low": round(ph - 0.25, 1), "ph_high": round(ph + 0.7, 1), "temperature_low_c": warm - 5.0,
        "temperature_high_c": warm + 8.0, "ceiling_c": warm + 14.0, "reduction_low": 0.9,
    }  # fmt: skip


@dataclass
class _Vat:
    name: str
    liquor: SimulatedVat
    probes: ProbeSet
    chance: random.Random
    state: VatState
    waiting: list[JournalEntry] = field(default_factory=list)
    raised: list[str] = field(default_factory=list)
    written: int = 0

    def write(self, now_ms: int, kind: EntryKind, what: str = "", grams: float | None = None, **more: Any) -> None:
        self.written += 1
        entry = JournalEntry(f"{self.name}-{self.written}", now_ms, now_ms, self.name, kind, what, grams, **more)
        if kind is not EntryKind.CHECK:
            self.liquor.apply(entry)
        self.waiting.append(entry)


def record(
    path: Path, vats: int = 1, days: float = 6.0, scan_s: int = 60, later: dict[str, Any] | None = None
) -> Config:
    """Write a record of `days` to `path`; from its middle on with the tables of `later` in the vats' settings."""
    raw = raw_settings(vats, scan_s)
    config = check_config(raw, "first")
    changed = config
    if later:
        again = {name: {**table, **later} for name, table in raw["vat"].items()}
        changed = check_config({**raw, "vat": again}, "later")
    with StoreWriter.open(path) as writer:
        steps: list[StepResult] = []
        actions: list[AlarmAction] = []
        journal: list[JournalEntry] = []
        version = _version(writer, config)
        built = vat_settings(config)
        shed = [_made(name, number, settings) for number, (name, settings) in enumerate(built.items())]
        middle_ms = START_MS + DAY_MS + int(days / 2 * DAY_MS)
        for now_ms in _slots(days, scan_s):
            if now_ms > middle_ms and changed is not config:
                _commit(writer, version, steps, journal, actions)
                config, built = changed, vat_settings(changed)
                version = _version(writer, config)
            acted: list[AlarmAction] = []
            for vat in shed:
                _live(vat, now_ms, scan_s)
                taken, vat.waiting = vat.waiting, []
                mine = _acknowledge(vat, now_ms)
                samples = _samples(vat, now_ms, scan_s)
                vat.state, result, error = step_or_unknown(built[vat.name], vat.state, now_ms, samples, taken, mine)
                if error is not None:
                    raise error
                steps.append(result)
                vat.raised += [push.alarm for push in result.pushes]
                journal.extend(taken)
                acted.extend(mine)
            # What is handed in belongs to the slot that judges it, so the batch ends there.
            actions.extend(acted)
            if journal or actions or len(steps) >= SLOTS_TOGETHER * len(shed):
                _commit(writer, version, steps, journal, actions)
        _commit(writer, version, steps, journal, actions)
        writer.seal_all()
    return changed


def _version(writer: StoreWriter, config: Config) -> int:
    cards = [settings.card() for settings in vat_settings(config).values()]
    return writer.record_settings(START_MS, judgement_text(config), cards)


def _commit(
    writer: StoreWriter,
    version: int,
    steps: list[StepResult],
    journal: list[JournalEntry],
    actions: list[AlarmAction],
) -> None:
    if steps:
        writer.append(
            Batch(steps[-1].scan.slot_ms, version, tuple(steps), journal=tuple(journal), actions=tuple(actions))
        )
    steps.clear()
    journal.clear()
    actions.clear()


def _slots(days: float, scan_s: int) -> Iterator[int]:
    """Slot ends, with an hour left out on the third day as after a power cut."""
    begin_ms = START_MS + DAY_MS
    gap_ms = begin_ms + 2 * DAY_MS + 3 * HOUR_MS
    for now_ms in range(begin_ms + scan_s * 1000, begin_ms + int(days * DAY_MS) + 1, scan_s * 1000):
        if not gap_ms <= now_ms < gap_ms + HOUR_MS:
            yield now_ms


def _made(name: str, number: int, settings: VatSettings) -> _Vat:
    probes = probe_set(f"{name}/recorded", "agcl_3m_kcl")
    return _Vat(name, _liquor(number), probes, random.Random(name), initial_state(settings))


def _live(vat: _Vat, now_ms: int, scan_s: int) -> None:
    """What a dyer does: looks in the morning, stirs, dips, feeds the third day; and one thing a day that goes wrong."""
    vat.liquor.advance(now_ms)
    minute = now_ms % DAY_MS // MINUTE_MS
    if now_ms % DAY_MS % (2 * MINUTE_MS) >= scan_s * 1000:
        return
    day = (now_ms - START_MS) // DAY_MS % 4
    if minute in (2 * 60, 8 * 60):
        vat.write(now_ms, EntryKind.CHECK, vat.liquor.what_a_dyer_sees(vat.chance))
    if minute == 9 * 60 and day % 2 == 0:
        vat.write(now_ms, EntryKind.STIR)
    if minute == 11 * 60 and day % 3 == 1:
        vat.write(now_ms, EntryKind.DIP, "cloth", 150.0, minutes=10.0)
    if day == 1 and minute == 12 * 60:
        vat.liquor.befall(now_ms, Mishap.HEATER_STUCK_OFF)
    if day == 2 and minute == 6 * 60:
        vat.liquor.befall(now_ms, Mishap.HEATER_MENDED)
    if day == 2 and minute == 13 * 60:
        vat.liquor.befall(now_ms, Mishap.REDUCTANT_GONE, 0.02)
        vat.liquor.befall(now_ms, Mishap.LID_OFF)
    if day == 3 and minute == 10 * 60:
        vat.liquor.befall(now_ms, Mishap.LID_ON)
        vat.write(now_ms, EntryKind.FEED, "hydrosulfite", 60.0)
        vat.write(now_ms, EntryKind.STIR)
    if day == 3 and minute in range(12 * 60, 20 * 60, 30):
        vat.liquor.befall(now_ms, Mishap.CO2_CREEP, 0.0008)
    if day == 0 and minute == 10 * 60:
        vat.write(now_ms, EntryKind.FEED, "soda ash", 80.0)


def _samples(vat: _Vat, now_ms: int, scan_s: int) -> list[Sample]:
    """A reading of each probe; a cable comes off for 20 minutes now and then, and some lines come late."""
    if now_ms % (2 * DAY_MS) // MINUTE_MS in range(22 * 60, 22 * 60 + 20):
        return []
    late = vat.chance.random() < 0.002
    at_ms = now_ms - (3 * scan_s * 1000 if late else max(1, scan_s * 300))
    truth = vat.liquor.truth()
    return [
        Sample(at_ms, vat.name, f"{vat.name}-ph", Signal.PH, vat.probes.ph.read(at_ms, truth)),
        Sample(at_ms, vat.name, f"{vat.name}-orp", Signal.ORP_MV, vat.probes.orp.read(at_ms, truth)),
        Sample(at_ms, vat.name, f"{vat.name}-t", Signal.TEMPERATURE_C, vat.probes.temperature.read(at_ms, truth)),
    ]


def _acknowledge(vat: _Vat, now_ms: int) -> list[AlarmAction]:
    """Every two hours half of what was told since is acknowledged."""
    if now_ms % (2 * HOUR_MS):
        return []
    told, vat.raised = sorted(set(vat.raised)), []
    return [
        AlarmAction(f"{vat.name}-{alarm}-{now_ms}", now_ms, vat.name, alarm, ActionVerb.ACKNOWLEDGE)
        for alarm in told
        if vat.chance.random() < 0.5
    ]
