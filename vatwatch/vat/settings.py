"""Everything that changes a vat's results, as plain frozen data: the same settings and samples give the same records.

Built by `config.py` from the dyer's file; stored with a version so that a replay knows them. No defaults are hidden
in the judgement itself: each number it uses stands here or in `recipes.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo

from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.records import VatCard
from vatwatch.terms import Signal
from vatwatch.vat.recipes import Recipe

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """One probe of one vat. `sigma` is its noise and resolution, 1 σ, in the unit of its quantity (pH for raw mV too).

    The default calibrations are those of a probe nobody has checked: right on average, and wide. `calibrated_ms` is when
    the calibration in force was made (None: never, or nobody said when); it widens with age. It is due again
    `calibrate_every_ms` after that.
    """

    probe: str
    signal: Signal
    stale_after_ms: int
    sigma: float
    reference: ReferenceElectrode | None = None
    ph_calibration: PhCalibration = field(default_factory=PhCalibration)
    orp_calibration: OrpCalibration = field(default_factory=OrpCalibration)
    temperature_offset_c: float = 0.0
    temperature_offset_sigma_c: float = 0.0
    calibrated_ms: int | None = None
    calibrate_every_ms: int = 30 * DAY_MS


@dataclass(frozen=True, slots=True)
class Window:
    """Limits inside which cloth may go in. pH limits are 25 °C equivalents."""

    ph_low: float
    ph_high: float
    temperature_low_c: float
    temperature_high_c: float
    ceiling_c: float
    reduction_low: float
    settle_ms: int


@dataclass(frozen=True, slots=True)
class Deadbands:
    """How far back inside a limit a value must come before it counts as inside again.

    Starting points after EEMUA 191 (deadband about 1 % of range for temperature and composition).
    """

    ph: float = 0.1
    margin_mv: float = 8.0
    temperature_c: float = 1.0


@dataclass(frozen=True, slots=True)
class AlarmTiming:
    """Delays of one alarm (ISA-18.2 terms). A slow vat justifies minutes where a plant uses seconds.

    An alarm that stays is told again after `re_alarm_ms` while nobody has acknowledged it, and after
    `re_alarm_acknowledged_ms` once somebody has; None means not again.
    """

    on_delay_ms: int
    off_delay_ms: int
    re_alarm_ms: int | None
    re_alarm_acknowledged_ms: int | None = None


@dataclass(frozen=True, slots=True)
class VatSettings:
    """One vat, complete."""

    vat: str
    name: str
    recipe: Recipe
    fibre: str
    volume_l: float | None
    warmed: bool
    alkali: Alkali
    alkali_g_l: float | None
    window: Window
    probes: tuple[ProbeSettings, ...]
    scan_ms: int
    timezone: tzinfo
    e7_mv: float
    e7_sigma_mv: float
    deadbands: Deadbands
    lead_ms: int
    off_timing: AlarmTiming
    tiring_timing: AlarmTiming
    heating_timing: AlarmTiming
    unlogged_timing: AlarmTiming
    doubtful_timing: AlarmTiming
    overheat_timing: AlarmTiming
    silent_timing: AlarmTiming

    def card(self) -> VatCard:
        """What screens and outlets show of these settings."""
        return VatCard(
            vat=self.vat,
            name=self.name,
            chemistry=self.recipe.chemistry.value,
            fibre=self.fibre,
            volume_l=self.volume_l,
            warmed=self.warmed,
            ph_low=self.window.ph_low,
            ph_high=self.window.ph_high,
            temperature_low_c=self.window.temperature_low_c,
            temperature_high_c=self.window.temperature_high_c,
            ceiling_c=self.window.ceiling_c,
            reduction_low=self.window.reduction_low,
            settle_minutes=self.window.settle_ms / MINUTE_MS,
            cautions=self.recipe.cautions,
            orp_meaning=self.recipe.orp_meaning,
        )
