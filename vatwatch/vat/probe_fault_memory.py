"""What the recognition of probe faults carries from slot to slot, in JSON-able fields, and the way back from JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from vatwatch.terms import Flag
from vatwatch.vat.probe_answers import Answers, Watch, answers_from_plain, watch_from_plain
from vatwatch.vat.probe_fault_names import FaultName, Finding
from vatwatch.vat.probe_signs import Filling, Minutes, minutes_from_plain
from vatwatch.vat.probe_stuck import Run


class Standing(NamedTuple):
    """One fault of one probe (or a pair) as long as it stands. `before` and `level`: the value before it, and with it."""

    name: str
    probe: str
    other: str
    since_ms: int
    before: float | None
    level: float | None
    firm: bool = True
    gone_minutes: int = 0
    quiet_minutes: int = 0


@dataclass(frozen=True, slots=True)
class FaultMemory:
    """What is carried from slot to slot, in JSON-able fields; `findings` is what stands now, worst first."""

    period: int | None = None
    filling: dict[str, Filling] = field(default_factory=dict)
    minutes: dict[str, Minutes] = field(default_factory=dict)
    heard_ms: dict[str, int] = field(default_factory=dict)
    runs: dict[str, Run] = field(default_factory=dict)
    apart: dict[str, int] = field(default_factory=dict)
    answers: dict[str, Answers] = field(default_factory=dict)
    watch: Watch | None = None
    fed_ms: int | None = None
    topped_ms: int | None = None
    standing: tuple[Standing, ...] = ()
    findings: tuple[Finding, ...] = ()


def faults_from_plain(raw: Mapping[str, Any]) -> FaultMemory:
    """The memory back from its JSON form (`dataclasses.asdict`, through `json`). Raises KeyError, TypeError, ValueError."""
    return FaultMemory(
        period=raw["period"],
        filling={name: Filling(tuple(one[0]), *one[1:]) for name, one in raw["filling"].items()},
        minutes={name: minutes_from_plain(one) for name, one in raw["minutes"].items()},
        heard_ms=dict(raw["heard_ms"]),
        runs={name: Run(*one) for name, one in raw["runs"].items()},
        apart=dict(raw["apart"]),
        answers={name: answers_from_plain(one) for name, one in raw["answers"].items()},
        watch=watch_from_plain(raw["watch"]),
        fed_ms=raw["fed_ms"],
        topped_ms=raw["topped_ms"],
        standing=tuple(Standing(*one) for one in raw["standing"]),
        findings=tuple(
            Finding(
                **{**one, "name": FaultName(one["name"]), "flag": Flag(one["flag"]), "probes": tuple(one["probes"])}
            )
            for one in raw["findings"]
        ),
    )
