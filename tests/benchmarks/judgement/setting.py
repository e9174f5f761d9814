"""The settings a dyer would have made for a simulated vat, and a vat brought to where dyeing can begin."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.benchmarks.judgement.rigs import WARMED, Rig, Truth
from tests.vat.vats import SETTINGS
from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind
from vatwatch.vat import window
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS, VatSettings, Window

SCAN_MS, QUICK_MS = 60_000, 30_000
VAT = "plain"
PROBE_PH, PROBE_C = 0.06, 1.0
"""What a calibrated probe leaves unsure: common practice."""
REDUCTANT = {"zinc dust": "zinc", "iron sulphate": "copperas"}
"""The settings' words for a reductant, where the simulated vat's shelf has another."""
ALKALI = {"lime": "lime", "soda-ash": "soda ash", "caustic-soda": "caustic soda", "potash": "potash"}


def settings_for(chemistry: str, rig: Rig) -> VatSettings:
    """The chemistry's own limits, widened to where this vat was made: a dyer's window follows the vat."""
    recipe = RECIPES[Chemistry(chemistry)]
    at25 = [ph_equivalent_25c(x, recipe.ph_stated_at_c, recipe.alkali) for x in recipe.ph_cellulose]
    now = rig.truth()
    warmed = chemistry in WARMED
    own = Window(
        ph_low=min(at25[0], now.ph_25c - 0.4),
        ph_high=max(at25[1], now.ph_25c + 0.6),
        temperature_low_c=(now.temperature_c - 5.0) if warmed else min(recipe.work_c[0], 12.0),
        temperature_high_c=max(recipe.work_c[1], now.temperature_c + 4.0),
        ceiling_c=max(recipe.ceiling_c, now.temperature_c + 8.0),
        reduction_low=0.90,
        settle_ms=30 * MINUTE_MS,
    )
    ph_probe, orp_probe, t_probe = SETTINGS.probes
    return replace(
        SETTINGS,
        recipe=recipe,
        alkali=recipe.alkali,
        volume_l=rig.volume_l,
        warmed=warmed,
        window=own,
        scan_ms=SCAN_MS,
        probes=(
            replace(ph_probe, stale_after_ms=180_000, ph_calibration=PhCalibration(0.0, 1.0, 2.0, 0.006)),
            replace(orp_probe, stale_after_ms=180_000, orp_calibration=OrpCalibration(0.0, 4.0)),
            replace(t_probe, stale_after_ms=180_000),
        ),
    )


def made_ready(rig: Rig, chemistry: str, from_ms: int, at_ms: int) -> None:
    """What the vat's maker does on the first day, by the recipe: alkali and reductant until it is fit."""
    recipe = RECIPES[Chemistry(chemistry)]
    low, high = (ph_equivalent_25c(x, recipe.ph_stated_at_c, recipe.alkali) for x in recipe.ph_cellulose)

    def feed(now_ms: int, what: str, grams: float) -> None:
        rig.do(JournalEntry(f"made-{what}-{now_ms}", now_ms, now_ms, VAT, EntryKind.FEED, what, grams))

    for now_ms in range(from_ms + 8 * HOUR_MS, at_ms + 1, HOUR_MS):
        rig.advance(now_ms)
        if rig.truth().ph_25c < low + 0.4 * (high - low):
            feed(now_ms, ALKALI[recipe.alkali.value], 0.4 * rig.volume_l)
        if rig.truth().share < 0.98:
            feed(now_ms, REDUCTANT.get(recipe.reductant, recipe.reductant), 0.5 * recipe.feed_g_l[1] * rig.volume_l)
            if recipe.lime_with_feed:
                feed(now_ms, "lime", recipe.lime_with_feed * recipe.feed_g_l[1] * rig.volume_l)
    rig.advance(at_ms)


def outside(own: Window, truth: Truth) -> frozenset[str]:
    """The limits the truth stands beyond."""
    found = (
        (window.OFF_REDUCTION, truth.share < own.reduction_low),
        (window.OFF_PH_LOW, truth.ph_25c < own.ph_low),
        (window.OFF_PH_HIGH, truth.ph_25c > own.ph_high),
        (window.OFF_COLD, truth.temperature_c < own.temperature_low_c),
        (window.OFF_WARM, truth.temperature_c > own.temperature_high_c),
        (window.OVERHEAT, truth.temperature_c > own.ceiling_c),
    )
    return frozenset(name for name, beyond in found if beyond)


@dataclass(frozen=True, slots=True)
class Alone:
    """What became of a vat left alone: when each limit was first passed, and how near the night came to one."""

    first: dict[str, int]
    near: bool = False


def left_alone(rig: Rig, own: Window, from_ms: int, hours: float, every_min: int = 10) -> Alone:
    """A copy of the vat run on with nobody near it, looked at every so many minutes.

    `near` says whether its worst stayed within what calibrated probes leave unsure (0.06 pH, 1 °C) of a limit.
    """
    twin = rig.twin()
    first: dict[str, int] = {}
    seen = []
    for minute in range(0, int(hours * 60) + 1, every_min):
        at_ms = from_ms + minute * MINUTE_MS
        twin.advance(at_ms)
        truth = twin.truth()
        seen.append((truth.ph_25c, truth.temperature_c))
        for name in outside(own, truth):
            first.setdefault(name, at_ms)
    ph, t = zip(*seen, strict=True)
    near = (
        abs(min(ph) - own.ph_low) < PROBE_PH
        or abs(max(ph) - own.ph_high) < PROBE_PH
        or abs(min(t) - own.temperature_low_c) < PROBE_C
        or abs(max(t) - own.temperature_high_c) < PROBE_C
    )
    return Alone(first, near)


START_MS = 20_000 * DAY_MS
