"""The dyer of a simulated month: dips, stirs, looks, and does what a push says after a while, by the amounts it gives.

Sleeps from half past ten to half past six unless it is danger. Logs what is done, except where a fault says otherwise.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from tests.benchmarks.judgement.rigs import Rig
from tests.benchmarks.judgement.setting import ALKALI, REDUCTANT, VAT
from vatwatch.records import AlarmAction, JournalEntry, Push, Scan
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.terms import ActionVerb, EntryKind, Urgency
from vatwatch.vat import tiring, window
from vatwatch.vat.amounts import Dose, NoDose, aim_ph_25c, alkali_dose, reductant_dose
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState

WELL = ("amber", "yellow-green")
ANSWER = {
    tiring.TIRING_REDUCTION: "feed",
    window.OFF_REDUCTION: "feed",
    tiring.TIRING_PH: "sharpen",
    window.OFF_PH_LOW: "sharpen",
    tiring.DOUBTFUL: "look",
    tiring.COOLING: "mend",
    window.OFF_COLD: "mend",
    tiring.HEATING: "unplug",
    window.OVERHEAT: "unplug",
    window.OFF_WARM: "unplug",
    "silent-ph": "probe",
    "silent-orp": "probe",
    "silent-temperature": "probe",
}
"""What each push makes the dyer do; the rest is read and left."""

NEAR_PH = 0.15
Action = Callable[[int], object]


class Dyer:
    """Acts on the rig and writes the journal. `state` and `scan` are what the page would show, set before each slot."""

    def __init__(self, rng: random.Random, settings: VatSettings, rig: Rig) -> None:
        self.rng, self.settings, self.rig = rng, settings, rig
        self.state: VatState | None = None
        self.scan: Scan | None = None
        self.away_until_ms = 0
        self._due: list[tuple[int, Action]] = []
        self._journal: list[JournalEntry] = []
        self._acknowledged: list[AlarmAction] = []
        self._number = 0
        self._busy_until: dict[str, int] = {}

    def later(self, at_ms: int, act: Action) -> None:
        self._due.append((at_ms, act))

    def take_due(self, now_ms: int) -> list[JournalEntry]:
        """Does what is due; gives what was written down meanwhile."""
        if self._due:
            ready = [act for at_ms, act in self._due if at_ms <= now_ms]
            self._due = [one for one in self._due if one[0] > now_ms]
            for act in ready:
                act(now_ms)
        written, self._journal = self._journal, []
        return written

    def entry(self, at_ms: int, kind: EntryKind, what: str = "", grams: float | None = None) -> JournalEntry:
        self._number += 1
        return JournalEntry(f"e{self._number}", at_ms, at_ms, VAT, kind, what=what, grams=grams)

    def stir(self, now_ms: int) -> None:
        entry = self.entry(now_ms, EntryKind.STIR)
        self.rig.do(entry)
        self._journal.append(entry)

    def dip(self, now_ms: int) -> None:
        entry = self.entry(now_ms, EntryKind.DIP, "cloth", 150.0)
        self.rig.do(entry)
        self._journal.append(entry)

    def look(self, now_ms: int) -> str:
        seen = self.rig.look(self.rng)
        self._journal.append(self.entry(now_ms, EntryKind.CHECK, seen))
        return seen

    def hear(self, push: Push) -> None:
        """What a push makes of the next hour."""
        if push.urgency is Urgency.TELL:
            return
        danger = push.urgency is Urgency.DANGER
        at_ms = self._hand_free(push.slot_ms, danger, ANSWER.get(push.alarm, ""))
        self.later(at_ms, lambda now: self._acknowledged.append(_acknowledge(push.alarm, now)))
        self.answer(ANSWER.get(push.alarm, ""), push.slot_ms, danger)

    def answer(self, doing: str, now_ms: int, danger: bool = False) -> None:
        if not doing or self._busy_until.get(doing, 0) > now_ms:
            return
        at_ms = self._hand_free(now_ms, danger, doing)
        self._busy_until[doing] = at_ms + 3 * HOUR_MS
        match doing:
            case "feed" | "sharpen":
                self.later(at_ms, lambda now: self.feed(now, doing))
            case "look":
                self.later(at_ms, self._look_and_feed)
            case "mend":
                self.later(at_ms, lambda now: self.rig.befall(now, Mishap.HEATER_MENDED))
            case "unplug":
                self.later(at_ms, lambda now: self.rig.befall(now, Mishap.PLUG_PULLED))
                self.later(at_ms + 4 * HOUR_MS, self._plug_back)
            case "probe":
                for probe in ("ph", "orp", "temperature"):
                    self.later(at_ms, lambda _, probe=probe: self.rig.spoil(probe, "hung back"))  # type: ignore[misc]

    def _hand_free(self, now_ms: int, danger: bool, doing: str) -> int:
        """When the dyer comes to act on something heard now."""
        hour = now_ms % DAY_MS / HOUR_MS
        delay = self.rng.uniform(5, 15) if danger else self.rng.uniform(20, 60)
        at_ms = now_ms + int(delay * MINUTE_MS)
        if not danger and not 6.5 <= hour <= 22.5:
            at_ms += int(((6.5 - hour) % 24) * HOUR_MS)
        return max(at_ms, self.away_until_ms) if doing == "unplug" else at_ms

    def take_actions(self) -> list[AlarmAction]:
        taken, self._acknowledged = self._acknowledged, []
        return taken

    def _plug_back(self, now_ms: int) -> None:
        self.rig.befall(now_ms, Mishap.HEATER_MENDED)
        self.rig.befall(now_ms, Mishap.PLUG_BACK)

    def _look_and_feed(self, now_ms: int) -> None:
        """As the push says: if it is not yellow-green to amber, feed."""
        if self.look(now_ms) not in WELL:
            self.feed(now_ms, "feed")

    def feed(self, now_ms: int, doing: str) -> None:
        """Half of the range's upper end first; the other half after the rest, if the vat is not where the push says."""
        half = self.feed_half(now_ms, doing)

        def second(now: int) -> None:
            if half and self.scan is not None and self._not_there(self.scan, doing):
                self.feed_half(now, doing)

        self.later(now_ms + 75 * MINUTE_MS, second)

    def _not_there(self, scan: Scan, doing: str) -> bool:
        if doing == "feed":
            return window.OFF_REDUCTION in scan.shortfalls
        return scan.ph_25c is not None and scan.ph_25c < aim_ph_25c(self.settings) - NEAR_PH

    def feed_half(self, now_ms: int, doing: str) -> float:
        """Half of the upper end of what the advice says now, lid on, stirred in; the grams, 0 when it gives none."""
        if self.state is None or self.scan is None:
            return 0.0
        dose = self.dose(doing)
        if not isinstance(dose, Dose):
            return 0.0
        self.rig.befall(now_ms, Mishap.LID_ON)
        self.give(now_ms, doing, dose.substance, dose.high_g / 2)
        return dose.high_g / 2

    def dose(self, doing: str) -> Dose | NoDose:
        assert self.state is not None
        assert self.scan is not None
        dose = reductant_dose if doing == "feed" else alkali_dose
        return dose(self.settings, self.state, self.scan)

    def give(self, now_ms: int, doing: str, substance: str, grams: float) -> None:
        """Feeds the vat and writes down what was fed, in the settings' words."""
        alkali = ALKALI[self.settings.alkali.value]
        into_vat = REDUCTANT.get(substance, substance) if doing == "feed" else alkali
        fed, stirred = self.entry(now_ms, EntryKind.FEED, substance, grams), self.entry(now_ms, EntryKind.STIR)
        self.rig.do(self.entry(now_ms, EntryKind.FEED, into_vat, grams))
        if doing == "feed" and self.settings.recipe.lime_with_feed:
            self.rig.do(self.entry(now_ms, EntryKind.FEED, "lime", self.settings.recipe.lime_with_feed * grams))
        self.rig.do(stirred)
        self._journal += [fed, stirred]


def _acknowledge(alarm: str, now_ms: int) -> AlarmAction:
    return AlarmAction(f"a-{alarm}-{now_ms}", now_ms, VAT, alarm, ActionVerb.ACKNOWLEDGE)


def daily_round(rng: random.Random, begin_ms: int, days: float) -> list[tuple[int, str]]:
    """Dips, stirs and looks of an ordinary month, by time."""
    found: list[tuple[int, str]] = [(begin_ms + 5 * MINUTE_MS, "look")]
    for day in range(int(days)):
        nine = begin_ms - begin_ms % DAY_MS + DAY_MS * (day + 1) + 9 * HOUR_MS
        if day % 2 == 0:
            found.append((nine + int(rng.uniform(-60, 60)) * MINUTE_MS, "stir"))
        if day % 3 == 1:
            first = nine + int(rng.uniform(60, 180)) * MINUTE_MS
            found += [(first + i * 45 * MINUTE_MS, "dip") for i in range(rng.randrange(1, 4))]
        if day < 3 or day % 4 == 0:
            found.append((nine + int(rng.uniform(-50, 0)) * MINUTE_MS, "look"))
    return sorted(found)
