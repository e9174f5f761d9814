"""Simulated dyers whose cloth rubs off by a known relation: their journal as written at the vat, and the vat's scans.

The relation is that of proportional odds, with slopes, thresholds and habits drawn anew for each dyer. Randomness follows
from the seed. The dyer's pieces go through the same journal entries the page writes.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from statistics import fmean

from vatwatch.dyeing.pieces import MINUTE_MS
from vatwatch.records import JournalEntry, Measured, Reduction, Scan, VatCard
from vatwatch.season.piece_states import PieceState
from vatwatch.terms import EntryKind, Flag, VatCondition

DAY_MS = 86_400_000
BEGIN_MS = 20_500 * DAY_MS
SCAN_MS = MINUTE_MS
CARD = VatCard("tub", "Tub", "woad", "cellulose", 40.0, True, 9.0, 10.5, 44.0, 52.0, 56.0, 0.9, 30.0)
GRADES = ("1", "1-2", "2", "2-3", "3", "3-4", "4", "4-5", "5")
ASKED = 4
"""The place of grade 3 among them: what is below it counts as rubbed off."""


@dataclass
class Dyer:
    """A season's journal and scans. `latent` is higher the less a piece rubs; it rubs off when latent + noise is below 0."""

    slope_per_mv: float
    at_mv: float
    per_doubling: float
    per_ph: float
    usual_rest: float
    usual_ph: float
    journal: list[JournalEntry] = field(default_factory=list)
    scans: dict[int, Scan] = field(default_factory=dict)

    def scans_of(self, vat: str, from_ms: int, to_ms: int) -> Iterator[Scan]:
        if vat != CARD.vat:
            return
        first = -(-from_ms // SCAN_MS) * SCAN_MS
        for slot_ms in range(first, to_ms, SCAN_MS):
            if slot_ms in self.scans:
                yield self.scans[slot_ms]

    def latent(self, margin_mv: float, log2_rest: float, ph_25c: float) -> float:
        return (
            self.slope_per_mv * (margin_mv - self.at_mv)
            + self.per_doubling * (log2_rest - self.usual_rest)
            + self.per_ph * (ph_25c - self.usual_ph)
        )

    def true_limit_mv(self, pieces: Sequence[PieceState], chance: float) -> float:
        """The margin at which the chance of rubbing off is `chance`, the rest being as these pieces had it on average."""
        rest = fmean([math.log2(max(piece.rested_min, 1.0)) for piece in pieces])
        others = self.latent(self.at_mv, rest, fmean([piece.ph_25c for piece in pieces]))
        return self.at_mv + (math.log((1.0 - chance) / chance) - others) / self.slope_per_mv


def simulated_dyer(seed: int, pieces: int | None = None) -> Dyer:
    """One dyer and a season of pieces (35 to 110 when not said), each dipped one to four times on one day."""
    chance = random.Random(seed)
    dyer = Dyer(
        slope_per_mv=chance.uniform(0.06, 0.15),
        at_mv=chance.uniform(12.0, 32.0),
        per_doubling=chance.uniform(0.0, 0.8),
        per_ph=chance.uniform(-1.0, 3.0),
        usual_rest=7.0,
        usual_ph=9.6,
    )
    steps = sorted(chance.uniform(0.4, 1.4) for _ in range(3)), [chance.uniform(0.4, 1.4) for _ in range(4)]
    below = [-sum(steps[0][:count]) for count in range(1, 4)][::-1]
    above = [sum(steps[1][:count]) for count in range(1, 5)]
    bounds = [*below, 0.0, *above]
    usual_mv, spread_mv = chance.uniform(32.0, 46.0), chance.uniform(11.0, 20.0)
    for number in range(chance.randint(35, 110) if pieces is None else pieces):
        _one_piece(dyer, chance, number, bounds, usual_mv, spread_mv)
    return dyer


def _one_piece(
    dyer: Dyer, chance: random.Random, number: int, bounds: Sequence[float], usual_mv: float, spread_mv: float
) -> None:
    start_ms = BEGIN_MS + number * DAY_MS + 8 * 60 * MINUTE_MS
    rest_min = min(max(2.0 ** chance.gauss(7.0, 1.1), 5.0), 1300.0)
    margin = chance.gauss(usual_mv, spread_mv)
    ph = chance.gauss(9.6, 0.18)
    warm = chance.gauss(48.0, 1.6)
    name = f"piece {number}"
    fed_ms = start_ms - round(rest_min * MINUTE_MS)
    _write(dyer, fed_ms, EntryKind.FEED, "hydrosulfite", f"feed-{number}")
    at_ms, worst, weighted, whole = start_ms, math.inf, 0.0, 0.0
    for dip in range(chance.randint(1, 4)):
        minutes = chance.randint(3, 20)
        dip_mv, dip_ph = margin + chance.gauss(0.0, 4.0), ph + chance.gauss(0.0, 0.03)
        _write(dyer, at_ms, EntryKind.DIP, name, f"in-{number}-{dip}", part="in")
        for slot_ms in range(at_ms, at_ms + minutes * MINUTE_MS + 1, SCAN_MS):
            dyer.scans[slot_ms] = _scan(slot_ms, dip_mv, dip_ph, warm, rest_min < 30.0)
        at_ms += minutes * MINUTE_MS
        _write(dyer, at_ms, EntryKind.DIP, name, f"out-{number}-{dip}", part="out", of=f"in-{number}-{dip}")
        at_ms += 12 * MINUTE_MS
        worst = min(worst, dip_mv)
        weighted += dip_ph * minutes
        whole += minutes
    uniform = chance.random()
    noise = math.log(uniform / (1.0 - uniform))
    latent = dyer.latent(worst, math.log2(rest_min), weighted / whole) + noise
    grade = GRADES[sum(latent >= bound for bound in bounds)]
    shade = 40.0 - 0.15 * whole + chance.gauss(0.0, 2.0)
    _write(
        dyer, at_ms + 5 * 60 * MINUTE_MS, EntryKind.OUTCOME, name, f"judged-{number}",
        rubbing_wet=grade, l_star=f"{shade:.1f}", a_star="-2", b_star="-25", judged_dry="yes",
    )  # fmt: skip


def _write(dyer: Dyer, time_ms: int, kind: EntryKind, what: str, entry_id: str, **details: str) -> None:
    dyer.journal.append(
        JournalEntry(entry_id, time_ms, time_ms, CARD.vat, kind, what, details=tuple(sorted(details.items())))
    )


def _scan(slot_ms: int, margin_mv: float, ph: float, temperature_c: float, settling: bool) -> Scan:
    share = 1.0 / (1.0 + math.exp(-margin_mv / 13.8))
    return Scan(
        slot_ms,
        CARD.vat,
        Measured(ph, 0.02, Flag.PASS),
        Measured(-600.0, 3.0, Flag.PASS),
        Measured(temperature_c, 0.2, Flag.PASS),
        -390.0,
        4.0,
        ph,
        Reduction(min(share, 0.99), max(0.0, share - 0.1), 1.0, margin_mv, 9.0, share >= 0.99, 0.9),
        VatCondition.SETTLING if settling else VatCondition.DYEABLE,
    )
