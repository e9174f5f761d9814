"""How the probes fared: calibrations, slope and drift, hours without a number, times they fell silent. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vatwatch.records import Calibration
from vatwatch.season.episodes import Episode

DAY_MS = 86_400_000
_QUANTITIES = ("ph", "orp", "temperature")


@dataclass(frozen=True, slots=True)
class ProbeCalibrations:
    """One probe's calibrations in the span, oldest first. `drift_per_30d` is the change of the offset between the first and
    the last accepted one, per 30 days, in the unit of the offset; None where there are not two.
    """

    probe: str
    signal: str
    made: tuple[Calibration, ...]
    refused: int
    slope_share: float | None
    offset: float | None
    drift_per_30d: float | None


@dataclass(frozen=True, slots=True)
class Outage:
    """One quantity of a vat: how long there was no number of it, and how often its alarm told of silence."""

    quantity: str
    without_ms: int
    silences: int


def calibrations_of(
    calibrations: Sequence[Calibration], vat: str, from_ms: int, to_ms: int
) -> tuple[ProbeCalibrations, ...]:
    """By probe, of one vat in the span."""
    grouped: dict[str, list[Calibration]] = {}
    for one in calibrations:
        if one.vat == vat and from_ms <= one.time_ms <= to_ms:
            grouped.setdefault(one.probe, []).append(one)
    return tuple(_of_probe(probe, made) for probe, made in sorted(grouped.items()))


def _of_probe(probe: str, made: Sequence[Calibration]) -> ProbeCalibrations:
    accepted = [one for one in made if one.accepted]
    with_offset = [(one.time_ms, one.offset) for one in accepted if one.offset is not None]
    drift = None
    if len(with_offset) > 1 and with_offset[-1][0] > with_offset[0][0]:
        (first_ms, first), (last_ms, last) = with_offset[0], with_offset[-1]
        drift = (last - first) / ((last_ms - first_ms) / (30 * DAY_MS))
    return ProbeCalibrations(
        probe=probe,
        signal=made[-1].signal.value,
        made=tuple(made),
        refused=len(made) - len(accepted),
        slope_share=accepted[-1].slope_share if accepted else None,
        offset=accepted[-1].offset if accepted else None,
        drift_per_30d=drift,
    )


def outages_of(short_ms: Mapping[str, int], episodes: Sequence[Episode]) -> tuple[Outage, ...]:
    """pH, ORP and temperature; `short_ms` is how long a vat was short of what, by the names scans give it."""
    return tuple(
        Outage(
            quantity,
            short_ms.get(f"no-{quantity}", 0),
            sum(one.alarm == f"silent-{quantity}" and one.raised_ms is not None for one in episodes),
        )
        for quantity in _QUANTITIES
    )
