"""One simulated vat through a month, with a dyer beside it and faults put upon it; the truth is kept beside the pushes.

The vat and its probes are the rehearsal's (other equations than the judgement's). The dyer dips, stirs, sometimes forgets
to log it, looks at the liquor, and does what a push says after a while. Everything follows from the seed.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from tests.vat.vats import SETTINGS
from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.errors import RangeError
from vatwatch.records import JournalEntry, Push, Sample, Scan
from vatwatch.rehearsal.electrodes import probe_set
from vatwatch.rehearsal.liquor import SimulatedVat, draw_vat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.terms import EntryKind, Signal, VatCondition
from vatwatch.vat import tiring, window
from vatwatch.vat.amounts import Dose, alkali_dose, reductant_dose
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import VatSettings, Window
from vatwatch.vat.state import VatState

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
SCAN_MS = MINUTE
START = 20_000 * DAY
WARMED = {"hydrosulfite", "thiourea-dioxide", "woad", "bran-madder"}
LIMITS = (
    window.OFF_REDUCTION,
    window.OFF_PH_LOW,
    window.OFF_PH_HIGH,
    window.OFF_COLD,
    window.OFF_WARM,
    window.OVERHEAT,
)
SUBSTANCE = {"zinc dust": "zinc", "iron sulphate": "copperas"}
ALKALI_SUBSTANCE = {"lime": "lime", "soda-ash": "soda ash", "caustic-soda": "caustic soda", "potash": "potash"}

# fault: the alarms that name it rightly
FAULTS: dict[str, frozenset[str]] = {
    "reductant exhausted": frozenset({tiring.TIRING_REDUCTION, window.OFF_REDUCTION}),
    "co2 creep": frozenset({tiring.TIRING_PH, window.OFF_PH_LOW}),
    "heater stuck on": frozenset({tiring.HEATING, window.OFF_WARM, window.OVERHEAT}),
    "heater stuck off": frozenset({tiring.COOLING, window.OFF_COLD}),
    "cold snap": frozenset({window.OFF_COLD, tiring.COOLING}),
    "lid off": frozenset(
        {tiring.TIRING_REDUCTION, window.OFF_REDUCTION, tiring.TIRING_PH, window.OFF_PH_LOW, window.OFF_COLD}
    ),
    "cable": frozenset({"silent-orp", "silent-ph", "silent-temperature"}),
    "dilution": frozenset(
        {window.OFF_REDUCTION, window.OFF_PH_LOW, window.OFF_COLD, tiring.TIRING_PH, tiring.UNLOGGED}
    ),
    "unlogged stir": frozenset({tiring.UNLOGGED}),
}


@dataclass(frozen=True)
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


@dataclass
class Month:
    """What came of one month. `counterfactual` says of each warning when the limit would have been passed unattended."""

    chemistry: str
    seed: int
    window: Window
    minutes: list[Minute] = field(default_factory=list)
    pushes: list[Push] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)
    counterfactual: dict[str, int | None] = field(default_factory=dict)
    forecasts: list[tuple[int, str, int, int, int | None]] = field(default_factory=list)
    recoveries: list[tuple[str, bool, float]] = field(default_factory=list)


def settings_for(chemistry: str, vat: SimulatedVat) -> VatSettings:
    recipe = RECIPES[Chemistry(chemistry)]
    low, high = recipe.ph_cellulose
    at25 = [ph_equivalent_25c(x, recipe.ph_stated_at_c, recipe.alkali) for x in (low, high)]
    # The dyer's window follows their own vat: what it starts with is inside.
    ph, t = true_ph_25c(vat, recipe.alkali), vat.truth().temperature_c
    warmed = chemistry in WARMED
    own = Window(
        ph_low=min(at25[0], ph - 0.4),
        ph_high=max(at25[1], ph + 0.6),
        temperature_low_c=(t - 5.0) if warmed else min(recipe.work_c[0], 12.0),
        temperature_high_c=max(recipe.work_c[1], t + 4.0),
        ceiling_c=max(recipe.ceiling_c, t + 8.0),
        reduction_low=0.90,
        settle_ms=30 * MINUTE,
    )
    ph_probe, orp_probe, t_probe = SETTINGS.probes
    return replace(
        SETTINGS,
        recipe=recipe,
        alkali=recipe.alkali,
        volume_l=vat.mixture.volume_l,
        warmed=warmed,
        window=own,
        scan_ms=SCAN_MS,
        probes=(
            replace(ph_probe, stale_after_ms=180_000, ph_calibration=PhCalibration(0.0, 1.0, 2.0, 0.006)),
            replace(orp_probe, stale_after_ms=180_000, orp_calibration=OrpCalibration(0.0, 4.0)),
            replace(t_probe, stale_after_ms=180_000),
        ),
    )


def true_ph_25c(vat: SimulatedVat, alkali: object) -> float:
    truth = vat.truth()
    try:
        return ph_equivalent_25c(truth.ph, truth.temperature_c, alkali)  # type: ignore[arg-type]
    except RangeError:
        return truth.ph


class Dyer:
    """Does what a push says, a while later and not at night unless it is danger; feeds by the amounts it is given."""

    def __init__(self, rng: random.Random, settings: VatSettings, vat: SimulatedVat) -> None:
        self.rng, self.settings, self.vat = rng, settings, vat
        self.due: list[tuple[int, Callable[[int], list[JournalEntry]]]] = []
        self.number = 0
        self.busy_until: dict[str, int] = {}

    def entry(
        self, at_ms: int, kind: EntryKind, what: str = "", grams: float | None = None, litres: float | None = None
    ) -> JournalEntry:
        self.number += 1
        return JournalEntry(f"e{self.number}", at_ms, at_ms, "plain", kind, what=what, grams=grams, litres=litres)

    def later(self, at_ms: int, act: Callable[[int], list[JournalEntry]]) -> None:
        self.due.append((at_ms, act))

    def take_due(self, now_ms: int) -> list[JournalEntry]:
        ready = [one for one in self.due if one[0] <= now_ms]
        self.due = [one for one in self.due if one[0] > now_ms]
        return [entry for _, act in ready for entry in act(now_ms)]

    def hear(self, push: Push) -> None:
        hour = push.slot_ms % DAY / HOUR
        delay = self.rng.uniform(20, 60) * MINUTE
        if push.urgency.value != "danger" and not 6.5 <= hour <= 22.5:
            delay += ((6.5 - hour) % 24) * HOUR
        at = push.slot_ms + int(delay)
        kind = {
            tiring.TIRING_REDUCTION: "feed",
            window.OFF_REDUCTION: "feed",
            tiring.TIRING_PH: "alkali",
            window.OFF_PH_LOW: "alkali",
        }.get(push.alarm, push.alarm)
        if "no longer" in push.title or self.busy_until.get(kind, 0) > push.slot_ms:
            return
        self.busy_until[kind] = at + 3 * HOUR
        if kind == "feed":
            self.later(at, lambda now: self.feed(now, reductant_dose(self.settings, self.state_now(), self.scan_now())))
        elif kind == "alkali":
            self.later(at, lambda now: self.feed(now, alkali_dose(self.settings, self.state_now(), self.scan_now())))
        elif kind in (tiring.HEATING, window.OVERHEAT, window.OFF_WARM):
            self.later(at, lambda now: self.befall(now, Mishap.PLUG_PULLED))
            self.later(at + 4 * HOUR, lambda now: self.befall(now, Mishap.HEATER_MENDED, Mishap.PLUG_BACK))
        elif kind == tiring.DOUBTFUL:
            self.later(at, lambda now: [self.entry(now, EntryKind.CHECK, self.vat.what_a_dyer_sees(self.rng))])
        elif kind in (tiring.COOLING, window.OFF_COLD):
            self.later(at, lambda now: self.befall(now, Mishap.HEATER_MENDED))

    state_now: Callable[[], VatState]
    scan_now: Callable[[], Scan]

    def befall(self, now_ms: int, *what: Mishap) -> list[JournalEntry]:
        for one in what:
            self.vat.befall(now_ms, one)
        return []

    def feed(self, now_ms: int, dose: object) -> list[JournalEntry]:
        """Half of the range's upper end first; the rest after the rest, if the vat is not back inside."""
        if not isinstance(dose, Dose):
            return []
        self.vat.befall(now_ms, Mishap.LID_ON)
        name = SUBSTANCE.get(
            dose.substance,
            ALKALI_SUBSTANCE.get(self.settings.alkali.value, dose.substance)
            if dose.substance not in ("hydrosulfite", "thiourea dioxide", "fructose", "bran")
            else dose.substance,
        )
        logged = self.settings.recipe.reductant if dose.substance == self.settings.recipe.reductant else dose.substance

        def give(now: int, grams: float) -> list[JournalEntry]:
            self.vat.apply(self.entry(now, EntryKind.FEED, name, grams))
            self.vat.apply(self.entry(now, EntryKind.STIR))
            if self.settings.recipe.feed_with and logged == self.settings.recipe.reductant:
                self.vat.apply(self.entry(now, EntryKind.FEED, "lime", 2.0 * grams))
            return [self.entry(now, EntryKind.FEED, logged, grams), self.entry(now, EntryKind.STIR)]

        half = dose.high_g / 2

        def second(now: int) -> list[JournalEntry]:
            scan = self.scan_now()
            off = {window.OFF_REDUCTION, window.OFF_PH_LOW} & set(scan.shortfalls)
            return give(now, half) if off else []

        self.later(now_ms + 75 * MINUTE, second)
        return give(now_ms, half)


def run_month(chemistry: str, seed: int, days: float = 30.0, fault_every_days: float = 6.0) -> Month:
    """The whole month. Faults come about every `fault_every_days`, of any kind that fits the chemistry."""
    rng = random.Random(f"{chemistry}/{seed}")
    vat = draw_vat(seed, chemistry, START)
    begin = START + DAY
    _made_ready(vat, chemistry, begin)
    settings = settings_for(chemistry, vat)
    probes = probe_set(f"judgement/{chemistry}/{seed}", "agcl_3m_kcl")
    dyer = Dyer(rng, settings, vat)
    month = Month(chemistry, seed, settings.window)
    state = initial_state(settings)
    scan: Scan | None = None
    plan = _plan(rng, chemistry, begin, days, fault_every_days)
    month.faults = [(at, kind) for at, kind in plan if kind in FAULTS]
    unplugged_until = 0
    now = begin
    end = begin + int(days * DAY)
    while now < end:
        now += MINUTE
        while plan and plan[0][0] <= now:
            _, what = plan.pop(0)
            if what == "cable":
                unplugged_until = now + 40 * MINUTE
            else:
                dyer.later(now, lambda at, what=what: _happen(dyer, what, at))  # type: ignore[misc]
        dyer.state_now, dyer.scan_now = lambda s=state: s, lambda s=scan: s  # type: ignore[misc]
        journal = dyer.take_due(now) if scan is not None else []
        vat.advance(now)
        truth = vat.truth()
        samples = []
        if now >= unplugged_until:
            at = now - 10_000
            samples = [
                Sample(at, "plain", "p-ph", Signal.PH, probes.ph.read(at, truth)),
                Sample(at, "plain", "p-orp", Signal.ORP_MV, probes.orp.read(at, truth)),
                Sample(at, "plain", "p-t", Signal.TEMPERATURE_C, probes.temperature.read(at, truth)),
            ]
        state, result = step(settings, state, now, samples, journal)
        scan = result.scan
        reduction = scan.reduction
        month.minutes.append(
            Minute(
                now, truth.leuco_share, true_ph_25c(vat, settings.alkali), truth.temperature_c, scan.condition,
                None if reduction is None else reduction.share_low, None if reduction is None else reduction.share_high,
                scan.settled_from_ms is not None,
            )
        )  # fmt: skip
        for push in result.pushes:
            month.pushes.append(push)
            limit = tiring.LIMIT_AHEAD.get(push.alarm)
            if limit is not None and "no longer" not in push.title:
                month.counterfactual[push.push_id] = _unattended(vat, settings, limit, now)
                coming = state.ahead.crossing(limit)
                if coming is not None:
                    month.forecasts.append((now, limit, coming.early_ms, coming.median_ms, coming.late_ms))
            dyer.hear(push)
    return month


def _made_ready(vat: SimulatedVat, chemistry: str, at_ms: int) -> None:
    """A month is judged from a vat that works: what its maker would do on the first day, by the recipe."""
    recipe = RECIPES[Chemistry(chemistry)]
    low, high = (ph_equivalent_25c(x, recipe.ph_stated_at_c, recipe.alkali) for x in recipe.ph_cellulose)
    for number in range(8, 25):
        vat.advance(at_ms - DAY + number * HOUR)
        if true_ph_25c(vat, recipe.alkali) < low + 0.4 * (high - low):
            feed = JournalEntry(
                f"made-{number}", vat.time_ms, vat.time_ms, "plain", EntryKind.FEED,
                ALKALI_SUBSTANCE[recipe.alkali.value], 0.4 * vat.mixture.volume_l,
            )  # fmt: skip
            vat.apply(feed)
        if vat.truth().leuco_share < 0.98:
            name = SUBSTANCE.get(recipe.reductant, recipe.reductant)
            vat.apply(
                JournalEntry(f"made-r{number}", vat.time_ms, vat.time_ms, "plain", EntryKind.FEED, name,
                             0.5 * recipe.feed_g_l[1] * vat.mixture.volume_l)
            )  # fmt: skip
            if recipe.feed_with:
                lime = recipe.feed_g_l[1] * vat.mixture.volume_l
                vat.apply(
                    JournalEntry(f"made-l{number}", vat.time_ms, vat.time_ms, "plain", EntryKind.FEED, "lime", lime)
                )
    vat.advance(at_ms)


def _unattended(vat: SimulatedVat, settings: VatSettings, limit: str, now: int) -> int | None:
    """When the true value would pass the limit within a day and a half if nobody did anything."""
    twin = copy.deepcopy(vat)
    for minute in range(0, 36 * 60, 5):
        twin.advance(now + minute * MINUTE)
        truth = twin.truth()
        if limit in outside(
            settings.window, truth.leuco_share, true_ph_25c(twin, settings.alkali), truth.temperature_c
        ):
            return now + minute * MINUTE
    return None


def outside(own: Window, share: float, ph: float, t: float) -> set[str]:
    found = set()
    if share < own.reduction_low:
        found.add(window.OFF_REDUCTION)
    if ph < own.ph_low:
        found.add(window.OFF_PH_LOW)
    if ph > own.ph_high:
        found.add(window.OFF_PH_HIGH)
    if t < own.temperature_low_c:
        found.add(window.OFF_COLD)
    if t > own.temperature_high_c:
        found.add(window.OFF_WARM)
    if t > own.ceiling_c:
        found.add(window.OVERHEAT)
    return found


def _plan(rng: random.Random, chemistry: str, begin: int, days: float, every: float) -> list[tuple[int, str]]:
    """What will happen, by time: dips and stirs on most days, looks, and faults."""
    plan: list[tuple[int, str]] = [(begin + 5 * MINUTE, "look")]
    for day in range(int(days)):
        morning = begin - begin % DAY + DAY * (day + 1) + 9 * HOUR
        if day % 2 == 0:
            plan.append((morning + int(rng.uniform(-60, 60)) * MINUTE, "stir"))
        if day % 3 == 1:
            first = morning + int(rng.uniform(60, 180)) * MINUTE
            plan += [(first + i * 45 * MINUTE, "dip") for i in range(rng.randrange(1, 4))]
        if day < 3 or day % 4 == 0:
            plan.append((morning + int(rng.uniform(-50, 0)) * MINUTE, "look"))
    kinds = [k for k in FAULTS if chemistry in WARMED or not k.startswith("heater")]
    at = begin + int(rng.uniform(1.5, 1.5 + every) * DAY)
    while at < begin + (days - 1.5) * DAY:
        plan.append((at, rng.choice(kinds)))
        at += int(rng.uniform(0.6, 1.4) * every * DAY)
    return sorted(plan)


def _happen(dyer: Dyer, what: str, now: int) -> list[JournalEntry]:
    vat, rng = dyer.vat, dyer.rng
    match what:
        case "stir":
            vat.apply(dyer.entry(now, EntryKind.STIR))
            return [dyer.entry(now, EntryKind.STIR)]
        case "dip":
            entry = replace(dyer.entry(now, EntryKind.DIP, "cloth", 150.0), minutes=10.0)
            vat.apply(entry)
            return [entry]
        case "look":
            return [dyer.entry(now, EntryKind.CHECK, vat.what_a_dyer_sees(rng))]
        case "unlogged stir":
            vat.apply(replace(dyer.entry(now, EntryKind.STIR), minutes=4.0))
        case "reductant exhausted":
            vat.befall(now, Mishap.REDUCTANT_GONE, 0.0)
        case "co2 creep":
            # a day's worth of carbonic acid, taken up over a night
            for i in range(12):
                dyer.later(now + i * 30 * MINUTE, lambda at: dyer.vat.befall(at, Mishap.CO2_CREEP, 0.0006) or [])  # type: ignore[func-returns-value]
        case "heater stuck on":
            vat.befall(now, Mishap.HEATER_STUCK_ON)
            dyer.later(now + 8 * HOUR, lambda at: dyer.befall(at, Mishap.HEATER_MENDED))
        case "heater stuck off":
            vat.befall(now, Mishap.HEATER_STUCK_OFF)
            dyer.later(now + 20 * HOUR, lambda at: dyer.befall(at, Mishap.HEATER_MENDED))
        case "cold snap":
            vat.befall(now, Mishap.COLD_SNAP, 10.0)
            vat.befall(now + 30 * HOUR, Mishap.COLD_SNAP_OVER)
        case "lid off":
            vat.befall(now, Mishap.LID_OFF)
            dyer.later(now + 30 * HOUR, lambda at: dyer.befall(at, Mishap.LID_ON))
        case "dilution":
            vat.befall(now, Mishap.WATERED_DOWN, vat.mixture.volume_l * 0.15)
    return []
