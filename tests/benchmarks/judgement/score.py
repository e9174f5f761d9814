"""Counts of the benchmark, how they add up over months, are kept in a file, and are printed."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Excursion:
    """One stay of the truth outside one limit. `settled_ms` is the part that was not settling."""

    limit: str
    from_ms: int
    to_ms: int
    settled_ms: int


@dataclass
class Score:
    """Counts over months; `merge` adds two. `intervals` by limit: asked, held, truth earlier than the interval."""

    vat_months: float = 0.0
    excursions: int = 0
    caught: int = 0
    late_h: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    slow: int = 0
    slow_warned: int = 0
    unwarned: list[str] = field(default_factory=list)
    pushes: int = 0
    push_kinds: Counter[str] = field(default_factory=Counter)
    needless: int = 0
    needless_by_drift: int = 0
    needless_kinds: Counter[str] = field(default_factory=Counter)
    needless_lines: list[str] = field(default_factory=list)
    faults: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    unnamed: list[str] = field(default_factory=list)
    overheats: int = 0
    overheats_told: int = 0
    runaways: int = 0
    runaways_told: int = 0
    unheard: list[str] = field(default_factory=list)
    intervals: dict[str, list[int]] = field(default_factory=dict)
    minutes: int = 0
    covered: int = 0
    nights: int = 0
    nights_right: int = 0
    nights_falling: int = 0
    nights_falling_right: int = 0
    nights_unknown: int = 0
    nights_wrong: list[str] = field(default_factory=list)

    def merge(self, other: Score) -> None:
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if isinstance(mine, Counter):
                mine.update(value)
            elif isinstance(mine, list):
                mine.extend(value)
            elif isinstance(mine, dict):
                for key, counts in value.items():
                    mine[key] = [a + b for a, b in zip(mine.get(key, [0] * len(counts)), counts, strict=True)]
            else:
                setattr(self, name, mine + value)


_COUNTERS = ("push_kinds", "needless_kinds", "faults", "named")


def keep(path: Path, score: Score) -> None:
    """Writes one month's score whole or not at all, so that a stopped run can go on."""
    part = path.with_suffix(".part")
    part.write_text(json.dumps(vars(score)))
    part.replace(path)


def kept(path: Path) -> Score | None:
    """The score of a month done before, if there is one."""
    if not path.exists():
        return None
    raw: dict[str, Any] = json.loads(path.read_text())
    typed: dict[str, Any] = {name: Counter(value) if name in _COUNTERS else value for name, value in raw.items()}
    return Score(**typed)


def _part(hit: float, of: float) -> str:
    return f"{hit:g} of {of:g} ({100 * hit / of:.0f} %)" if of else "none came up"


def table(score: Score) -> str:
    """The figures as lines, each with what is asked of it."""
    late = sorted(score.late_h)
    delay = f"{late[len(late) // 2]:.1f} h / {late[int(0.9 * len(late))]:.1f} h" if late else "-"
    asked, held, early = (sum(one[i] for one in score.intervals.values()) for i in range(3))
    named, faults = sum(score.named.values()), sum(score.faults.values())
    months = score.vat_months or 1.0
    rows = [
        ("vat-months", f"{score.vat_months:.1f}", ">= 60"),
        ("excursions over 30 min (not settling) told", _part(score.caught, score.excursions), "100 %"),
        ("  told after they began, median / 90 %", delay, ""),
        ("slow drifts warned >= 2 h ahead", _part(score.slow_warned, score.slow), ">= 90 %"),
        ("pushes per vat-month", f"{score.pushes / months:.1f}  {dict(score.push_kinds.most_common())}", ""),
        ("needless pushes per vat-month", f"{score.needless / months:.2f}  {dict(score.needless_kinds)}", "<= 1"),
        ("  of them about a probe that drifted then", f"{score.needless_by_drift / months:.2f}", ""),
        ("cause named rightly", _part(named, faults), ">= 85 %"),
        ("overheat told within its delay + 60 s", _part(score.overheats_told, score.overheats), "100 %"),
        ("runaway told >= 10 min before the ceiling", _part(score.runaways_told, score.runaways), ">= 95 %"),
        ("80 % forecast intervals that held", f"{_part(held, asked)}, came earlier {early}", "75-85 %"),
        ("90 % share intervals that held", _part(score.covered, score.minutes), ""),
        ("evening outlook right", _part(score.nights_right, score.nights), ">= 90 %"),
        ("  of the nights that did not hold", _part(score.nights_falling_right, score.nights_falling), ""),
        ("  nights that could not be told", f"{score.nights_unknown}", ""),
    ]
    lines = [f"{name:44} {value}{f'   [{wanted}]' if wanted else ''}" for name, value, wanted in rows]
    for limit, (of, inside, sooner) in score.intervals.items():
        lines.append(f"    interval {limit:16} {_part(inside, of)}, came earlier {sooner}")
    lines += [f"    cause {kind:20} {_part(score.named[kind], count)}" for kind, count in sorted(score.faults.items())]
    return "\n".join(lines)


def details(score: Score) -> str:
    """Every single case that fell short, for the person who mends it."""
    parts = (
        ("not told", score.missed),
        ("not warned in time", score.unwarned),
        ("heat not told in time", score.unheard),
        ("cause not named", score.unnamed),
        ("needless", score.needless_lines),
        ("nights told wrongly", score.nights_wrong),
    )
    return "\n".join(f"{title}:" + "".join(f"\n   {line}" for line in lines) for title, lines in parts)
