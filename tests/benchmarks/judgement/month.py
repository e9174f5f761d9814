"""One simulated vat through a month, with a dyer beside it and faults put upon it; the truth is kept beside the pushes.

Everything follows from chemistry and seed. Scans every minute, every half minute while a heater runs away (nothing else is
that quick); the truth is kept once a minute. Now and then a copy
of the vat is left alone and watched, so that a warning can be held against what would have come without the dyer.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace

from tests.benchmarks.judgement.dyer import ANSWER, Dyer, daily_round
from tests.benchmarks.judgement.faults import Fault, befall, plan_faults
from tests.benchmarks.judgement.rigs import RehearsalRig, Rig
from tests.benchmarks.judgement.setting import (
    QUICK_MS,
    SCAN_MS,
    START_MS,
    VAT,
    left_alone,
    made_ready,
    outside,
    settings_for,
)
from vatwatch.records import Push, Sample
from vatwatch.terms import Signal, VatCondition
from vatwatch.vat import tiring, window
from vatwatch.vat.doings import initial_state
from vatwatch.vat.night import VatNow, night_of
from vatwatch.vat.pipeline import step
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS, Window

AHEAD_H, NIGHT_H = 48.0, 11.0
ASKED_EVERY_MS = 6 * HOUR_MS
EVENING_MS, MORNING_MS = 20 * HOUR_MS, 7 * HOUR_MS
LIMITED = {*tiring.LIMIT_AHEAD, tiring.DOUBTFUL, window.OFF_REDUCTION}
"""Alarms whose pushes are held against the vat left alone."""
_SIGNALS = (("p-ph", Signal.PH, "ph"), ("p-orp", Signal.ORP_MV, "orp"), ("p-t", Signal.TEMPERATURE_C, "temperature"))

MakeRig = Callable[[str, int, int, int], Rig]


@dataclass(frozen=True, slots=True)
class Minute:
    """Truth and judgement at one minute."""

    at_ms: int
    share: float
    ph_25c: float
    temperature_c: float
    condition: VatCondition
    share_low: float | None
    share_high: float | None
    settling: bool
    beyond: frozenset[str]


@dataclass(frozen=True, slots=True)
class Asked:
    """A forecast held against the vat left alone: the crossing foretold (None: none) and when it really came."""

    at_ms: int
    limit: str
    early_ms: int
    late_ms: int | None
    truth_ms: int | None


@dataclass(frozen=True, slots=True)
class Night:
    """One evening's outlook: the limits it named, and those the vat left alone passed before morning."""

    at_ms: int
    known: bool
    holds: bool
    named: tuple[str, ...]
    passed: frozenset[str]
    near: bool


@dataclass
class Month:
    """What came of one month. `alone` says of each push when which limit would have been passed with nobody there."""

    chemistry: str
    seed: int
    window: Window
    lead_ms: int
    minutes: list[Minute] = field(default_factory=list)
    pushes: list[Push] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    alone: dict[str, dict[str, int]] = field(default_factory=dict)
    ceilings: dict[int, int | None] = field(default_factory=dict)
    asked: list[Asked] = field(default_factory=list)
    nights: list[Night] = field(default_factory=list)
    doings: list[int] = field(default_factory=list)


def run_month(
    chemistry: str, seed: int, days: float = 30.0, every_days: float = 5.0, make: MakeRig = RehearsalRig
) -> Month:
    """The whole month, with a fault about every `every_days`."""
    rng = random.Random(f"{chemistry}/{seed}")
    rig = make(chemistry, seed, START_MS, SCAN_MS)
    begin = START_MS + DAY_MS
    made_ready(rig, chemistry, START_MS, begin)
    settings = settings_for(chemistry, rig)
    dyer = Dyer(rng, settings, rig)
    month = Month(chemistry, seed, settings.window, settings.lead_ms)
    month.faults = plan_faults(rng, chemistry, begin, days, every_days)
    unplugged: list[tuple[int, int, str]] = [(f.at_ms, f.until_ms, f.probe) for f in month.faults if f.kind == "cable"]
    round_of: dict[str, Callable[[int], object]] = {"stir": dyer.stir, "dip": dyer.dip, "look": dyer.look}
    for at, what in daily_round(rng, begin, days):
        dyer.later(at, lambda now, what=what: round_of[what](now))  # type: ignore[misc]
    for fault in month.faults:
        dyer.later(fault.at_ms, lambda now, fault=fault: _befall(month, fault, rig, now, dyer))  # type: ignore[misc]
    state = initial_state(settings)
    quick = replace(settings, scan_ms=QUICK_MS)
    now = begin
    while now < begin + int(days * DAY_MS):
        hot = any(f.kind == "heater stuck on" and f.at_ms <= now < f.until_ms + HOUR_MS for f in month.faults)
        # From a half minute on the way leads back over another one: whole minutes are where the truth is kept.
        hot = hot or now % SCAN_MS != 0
        now += QUICK_MS if hot else SCAN_MS
        rig.pace(QUICK_MS if hot else SCAN_MS)
        rig.advance(now)
        journal = dyer.take_due(now)
        month.doings += [now for _ in journal]
        cut = {which for start, end, which in unplugged if start <= now < end}
        samples = samples_of(rig, now, cut)
        state, result = step(quick if hot else settings, state, now, samples, journal, dyer.take_actions())
        scan = result.scan
        dyer.state, dyer.scan = state, scan
        if now % MINUTE_MS == 0:
            _keep(month, rig, now, VatNow(settings, state, scan), dyer)
        for push in result.pushes:
            month.pushes.append(push)
            if push.alarm in LIMITED:
                month.alone[push.push_id] = left_alone(rig, settings.window, now, AHEAD_H).first
            dyer.hear(push)
    return month


def samples_of(rig: Rig, now_ms: int, cut: Collection[str] = ()) -> list[Sample]:
    """What the meters show in this slot; `cut` names probes whose cable is off."""
    at = now_ms - 5_000
    values = dict(zip(("ph", "orp", "temperature"), rig.read(at), strict=True))
    return [Sample(at, VAT, probe, signal, values[name]) for probe, signal, name in _SIGNALS if name not in cut]


def _befall(month: Month, fault: Fault, rig: Rig, now_ms: int, dyer: Dyer) -> None:
    befall(fault, rig, now_ms, dyer.later)
    if fault.kind == "heater stuck on":
        month.ceilings[fault.at_ms] = left_alone(rig, month.window, now_ms, 9.0, 1).first.get(window.OVERHEAT)
        dyer.away_until_ms = fault.until_ms - 30 * MINUTE_MS if fault.away else 0


def _keep(month: Month, rig: Rig, now_ms: int, vat: VatNow, dyer: Dyer) -> None:
    """One minute's truth; every six hours the forecasts, and in the evening the outlook, against the vat left alone."""
    truth, scan, reduction = rig.truth(), vat.scan, vat.scan.reduction
    own = month.window
    beyond = outside(own, truth)
    month.minutes.append(
        Minute(
            now_ms, truth.share, truth.ph_25c, truth.temperature_c, scan.condition,
            None if reduction is None else reduction.share_low, None if reduction is None else reduction.share_high,
            scan.settled_from_ms is not None, beyond,
        )
    )  # fmt: skip
    evening = now_ms % DAY_MS == EVENING_MS
    if now_ms % ASKED_EVERY_MS != 2 * HOUR_MS:
        return
    crossings = vat.state.ahead.crossings
    if not crossings and not evening:
        return
    alone = left_alone(rig, own, now_ms, AHEAD_H if crossings else NIGHT_H).first
    for one in crossings:
        if one.limit not in beyond:
            month.asked.append(Asked(now_ms, one.limit, one.early_ms, one.late_ms, alone.get(one.limit)))
    if evening:
        morning = now_ms + (MORNING_MS - EVENING_MS) % DAY_MS
        word = night_of(vat, now_ms, morning, vat.settings.timezone)
        passed = frozenset(
            x for x, at in alone.items() if at <= morning and (vat.settings.warmed or x not in tiring.WARMTH)
        )
        near = left_alone(rig, own, now_ms, NIGHT_H).near if word.known and word.holds is bool(passed) else False
        month.nights.append(Night(now_ms, word.known, word.holds, word.limits, passed, near))
        for limit in word.limits:
            dyer.answer(ANSWER.get(limit, ""), now_ms)
        if word.look:
            dyer.answer("look", now_ms)
