"""Settings and samples for tests of the judgement: one plain vat, and a way to run it slot by slot."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC

from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.records import AlarmAction, JournalEntry, Sample, StepResult
from vatwatch.terms import AlarmState, Signal, VatCondition
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import AlarmTiming, Deadbands, ProbeSettings, VatSettings, Window
from vatwatch.vat.state import VatState

SCAN_MS = 10_000
MINUTE = 60_000
START = 1_750_000_000_000 - 1_750_000_000_000 % SCAN_MS

SETTINGS = VatSettings(
    vat="plain",
    name="Plain",
    recipe=RECIPES[Chemistry.HYDROSULFITE],
    fibre="cellulose",
    volume_l=30.0,
    warmed=True,
    alkali=Alkali.SODA_ASH,
    alkali_g_l=None,
    window=Window(10.5, 11.5, 20.0, 50.0, 60.0, 0.90, 30 * MINUTE),
    probes=(
        ProbeSettings("p-ph", Signal.PH, 30_000, 0.02, ph_calibration=PhCalibration(0, 1, 0.5, 0.005)),
        ProbeSettings(
            "p-orp",
            Signal.ORP_MV,
            30_000,
            2.0,
            reference=ReferenceElectrode.AGCL_3M_KCL,
            orp_calibration=OrpCalibration(0.0, 3.0),
        ),
        ProbeSettings("p-t", Signal.TEMPERATURE_C, 30_000, 0.2),
    ),
    scan_ms=SCAN_MS,
    timezone=UTC,
    e7_mv=-195.0,
    e7_sigma_mv=50.0,
    deadbands=Deadbands(),
    lead_ms=180 * MINUTE,
    tiring_timing=AlarmTiming(20 * MINUTE, 480 * MINUTE, None),
    heating_timing=AlarmTiming(MINUTE, 10 * MINUTE, 10 * MINUTE, 30 * MINUTE),
    unlogged_timing=AlarmTiming(0, 0, None),
    doubtful_timing=AlarmTiming(30 * MINUTE, 480 * MINUTE, 1440 * MINUTE),
    off_timing=AlarmTiming(5 * MINUTE, 5 * MINUTE, 240 * MINUTE),
    overheat_timing=AlarmTiming(30_000, 5 * MINUTE, 10 * MINUTE, 30 * MINUTE),
    silent_timing=AlarmTiming(60_000, SCAN_MS, 240 * MINUTE),
)
GOOD = {"ph": 11.0, "orp": -700.0, "t": 30.0}


def samples(
    slot_ms: int, ph: float | None = 11.0, orp: float | None = -700.0, t: float | None = 30.0, vat: str = "plain"
) -> list[Sample]:
    """One sample per probe in the middle of the slot that ends at `slot_ms`; None leaves the probe silent."""
    at = slot_ms - SCAN_MS // 2
    given = (("p-ph", Signal.PH, ph), ("p-orp", Signal.ORP_MV, orp), ("p-t", Signal.TEMPERATURE_C, t))
    return [Sample(at, vat, probe, signal, value) for probe, signal, value in given if value is not None]


class Run:
    """A vat driven slot by slot; keeps every result."""

    def __init__(self, settings: VatSettings = SETTINGS, state: VatState | None = None) -> None:
        self.settings = settings
        self.state = state or initial_state(settings)
        self.slot_ms = START
        self.results: list[StepResult] = []

    def slot(
        self,
        given: Sequence[Sample] | None = None,
        journal: Sequence[JournalEntry] = (),
        actions: Sequence[AlarmAction] = (),
    ) -> StepResult:
        self.slot_ms += SCAN_MS
        taken = samples(self.slot_ms) if given is None else given
        self.state, result = step(self.settings, self.state, self.slot_ms, taken, journal, actions)
        self.results.append(result)
        return result

    def minutes(
        self, count: float, ph: float | None = 11.0, orp: float | None = -700.0, t: float | None = 30.0
    ) -> None:
        for _ in range(round(count * MINUTE / SCAN_MS)):
            self.slot(samples(self.slot_ms + SCAN_MS, ph, orp, t))

    @property
    def last(self) -> StepResult:
        return self.results[-1]

    def transitions(self, alarm: str) -> list[str]:
        return [e.transition for r in self.results for e in r.alarm_events if e.alarm == alarm]

    def condition(self) -> VatCondition:
        return self.last.scan.condition

    def alarm_state(self, alarm: str) -> AlarmState:
        return self.state.alarms[alarm].state

    @property
    def titles(self) -> list[str]:
        return [push.title for r in self.results for push in r.pushes]
