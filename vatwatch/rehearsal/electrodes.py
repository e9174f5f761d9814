"""Models of the probes in a simulated vat: what they make of the truth before a meter prints it.

Each has noise, an offset, a slope, a first-order lag, a resolution and a drift, and may hang in air or be unplugged.
Deterministic by seed and by the times it is read. No I/O, no clock; the reference electrodes are this room's own
figures, not those of `vatwatch.chemistry`.
"""

from __future__ import annotations

import bisect
import math
import random
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

from vatwatch.errors import VatwatchError
from vatwatch.rehearsal.liquor import VatTruth
from vatwatch.rehearsal.recipes import DAY_MS

# 3 M KCl: E0 of AgCl/Ag (Bates & Bower 1954, J. Res. NBS 53, 283; from memory) less RT/F ln a(Cl-), the activity from
# PHREEQC 3 with pitzer.dat. It is a route of its own: the DIN 38404-6 table is nowhere used for it.
# The others are value at 25 °C and slope. 1 M: of the DIN 38404-6 table (Wolkersdorfer 2008). Saturated, 3.5 M and
# calomel: Sawyer, Sobkowiak & Roberts (1995).
# 3.33 M: an instrument maker's published note.
_AGCL_3M_C = (5.0, 25.0, 40.0, 60.0)
_AGCL_3M_MV = (221.0, 206.9, 195.3, 178.5)
_REFERENCES = {
    "agcl_1m_kcl": (235.9, -0.60),
    "agcl_3.33m_kcl": (206.0, -0.70),
    "agcl_3.5m_kcl": (205.0, -0.75),
    "agcl_sat_kcl": (199.0, -1.00),
    "sce": (244.4, -0.675),
}
REFERENCE_ELECTRODES = ("agcl_3m_kcl", *_REFERENCES)


def reference_mv(electrode: str, temperature_c: float) -> float:
    """Potential of a reference electrode in mV vs SHE, 5–60 °C. Raises `VatwatchError` for an unknown name."""
    if electrode == "agcl_3m_kcl":
        i = min(max(bisect.bisect_right(_AGCL_3M_C, temperature_c) - 1, 0), len(_AGCL_3M_C) - 2)
        low, high = _AGCL_3M_C[i], _AGCL_3M_C[i + 1]
        share = (temperature_c - low) / (high - low)
        return _AGCL_3M_MV[i] + share * (_AGCL_3M_MV[i + 1] - _AGCL_3M_MV[i])
    if electrode not in _REFERENCES:
        raise VatwatchError(f'no reference electrode "{electrode}"; there are: {", ".join(REFERENCE_ELECTRODES)}')
    at_25, slope = _REFERENCES[electrode]
    return at_25 + slope * (temperature_c - 25.0)


@dataclass(frozen=True, slots=True)
class ProbeTraits:
    """How far a probe strays from the truth, in its own unit (pH, mV or °C).

    `slope_share` is the share of the full Nernst slope a pH probe still gives (0.85–1.05 seen in use; 1 elsewhere),
    `lag_s` the time constant of its answer, `resolution` the last digit the meter shows.
    """

    noise_sigma: float = 0.0
    offset: float = 0.0
    slope_share: float = 1.0
    lag_s: float = 0.0
    resolution: float = 0.0
    drift_per_day: float = 0.0


PH_TRAITS = ProbeTraits(noise_sigma=0.008, lag_s=20.0, resolution=0.01)
ORP_TRAITS = ProbeTraits(noise_sigma=0.8, lag_s=45.0, resolution=0.1)
TEMPERATURE_TRAITS = ProbeTraits(noise_sigma=0.03, lag_s=15.0, resolution=0.01)


class _Probe(ABC):
    """Lag, drift, noise and last digit, the same for every kind of probe."""

    air_lag_s = 40.0

    def __init__(self, traits: ProbeTraits, seed: int | str = 0) -> None:
        self.traits = traits
        self.connected = True
        self.in_air = False
        self._rng = random.Random(seed)
        self._settled: float | None = None
        self._first_ms: int | None = None
        self._last_ms = 0

    def disturb(self, **changes: float) -> None:
        """Changes traits from now on, such as `offset=…` for fouling or `drift_per_day=…`."""
        self.traits = replace(self.traits, **changes)

    @abstractmethod
    def _sees(self, truth: VatTruth) -> float: ...

    @abstractmethod
    def _sees_in_air(self) -> float: ...

    @abstractmethod
    def _open_circuit(self) -> float: ...

    def read(self, time_ms: int, truth: VatTruth) -> float:
        """The number the meter would show at this time."""
        if self._first_ms is None:
            self._first_ms = time_ms
            self._last_ms = time_ms
        if not self.connected:
            self._settled = None
            self._last_ms = time_ms
            return self._last_digit(self._open_circuit())
        goal = self._sees_in_air() if self.in_air else self._sees(truth)
        lag_s = self.air_lag_s if self.in_air else self.traits.lag_s
        elapsed_s = max(time_ms - self._last_ms, 0) / 1000.0
        if self._settled is None or lag_s <= 0.0:
            self._settled = goal
        else:
            self._settled += (goal - self._settled) * (1.0 - math.exp(-elapsed_s / lag_s))
        self._last_ms = time_ms
        drift = self.traits.drift_per_day * (time_ms - self._first_ms) / DAY_MS
        noise = self._rng.gauss(0.0, self.traits.noise_sigma) if self.traits.noise_sigma > 0.0 else 0.0
        return self._last_digit(self._settled + self.traits.offset + drift + noise)

    def _last_digit(self, value: float) -> float:
        step = self.traits.resolution
        return round(value / step) * step if step > 0.0 else value


class PhProbe(_Probe):
    """A glass electrode with its meter. The slope error turns about pH 7, where the electrode gives 0 mV."""

    def __init__(self, traits: ProbeTraits = PH_TRAITS, seed: int | str = 0) -> None:
        super().__init__(traits, seed)

    def _sees(self, truth: VatTruth) -> float:
        return 7.0 + self.traits.slope_share * (truth.ph - 7.0)

    def _sees_in_air(self) -> float:
        return 7.6 + self._rng.gauss(0.0, 0.5)

    def _open_circuit(self) -> float:
        return 14.0


class OrpProbe(_Probe):
    """A platinum electrode against a reference electrode; reads Eh less the reference at bath temperature."""

    def __init__(self, traits: ProbeTraits = ORP_TRAITS, seed: int | str = 0, electrode: str = "agcl_3m_kcl") -> None:
        super().__init__(traits, seed)
        reference_mv(electrode, 25.0)
        self.electrode = electrode

    def _sees(self, truth: VatTruth) -> float:
        return truth.eh_mv - reference_mv(self.electrode, truth.temperature_c)

    def _sees_in_air(self) -> float:
        return 120.0 + self._rng.gauss(0.0, 25.0)

    def _open_circuit(self) -> float:
        return 1999.9


class TemperatureProbe(_Probe):
    """A thermometer. Unplugged it shows −127, as digital 1-wire sensors' libraries do (common knowledge)."""

    def __init__(self, traits: ProbeTraits = TEMPERATURE_TRAITS, seed: int | str = 0) -> None:
        super().__init__(traits, seed)
        self.air_c = 18.0

    def _sees(self, truth: VatTruth) -> float:
        return truth.temperature_c

    def _sees_in_air(self) -> float:
        return self.air_c

    def _open_circuit(self) -> float:
        return -127.0


@dataclass(slots=True)
class ProbeSet:
    """The three probes that hang in one vat."""

    ph: PhProbe
    orp: OrpProbe
    temperature: TemperatureProbe

    def read(self, time_ms: int, truth: VatTruth) -> tuple[float, float, float]:
        """pH, raw ORP in mV against the set's own reference electrode, temperature in °C."""
        return self.ph.read(time_ms, truth), self.orp.read(time_ms, truth), self.temperature.read(time_ms, truth)


def probe_set(seed: int | str, electrode: str = "agcl_3m_kcl") -> ProbeSet:
    """Three sound, calibrated probes."""
    return ProbeSet(
        PhProbe(seed=f"{seed}/ph"),
        OrpProbe(seed=f"{seed}/orp", electrode=electrode),
        TemperatureProbe(seed=f"{seed}/t"),
    )
