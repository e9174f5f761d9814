"""Judges a stored span again, slot by slot: with the settings it had, and beside that with others. Writes nothing.

Slots come from the store's reader in pages, so that memory stays flat; what is kept is what was told and the stays outside
the limits. The first track is always the unchanged one: it must give what the watch recorded, and says so when it does not.

Settings that only change when and how often is told need no judgement of their own: their alarms are run on the first
track's scans, which is several times faster and gives the same (the tests hold both against each other).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from vatwatch.records import AlarmEvent, JournalEntry, Push, Scan, StepResult
from vatwatch.season.excursions import Stay, StayTally
from vatwatch.store.replaying import ReplaySlot
from vatwatch.vat import window
from vatwatch.vat.alarm_set import run_alarms, situations
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import after_gap, step_or_unknown
from vatwatch.vat.scan import quantities_out
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

SettingsOf = Callable[[int], VatSettings]
"""Settings version → this vat's settings under that version."""
Same = Callable[[object, object], bool]

SHOWN_DIFFERENCES = 5


@dataclass(frozen=True, slots=True)
class Told:
    """One push, without its text. `transition` is that of the alarm event behind it, such as "occurs"."""

    slot_ms: int
    vat: str
    alarm: str
    transition: str
    urgency: str
    title: str


@dataclass(frozen=True, slots=True)
class Track:
    """What one set of settings would have made of the span."""

    told: tuple[Told, ...]
    stays: tuple[Stay, ...]


@dataclass(frozen=True, slots=True)
class VatReplay:
    """One vat replayed. `tracks` begins with the unchanged one; `differing` counts its slots that are not as recorded.

    `judged` are all slots that were replayed, `slots` those that counted; `first_ms` and `last_ms` are the first and last of
    these. `examples` says of the first few what differs.
    """

    vat: str
    judged: int
    slots: int
    first_ms: int
    last_ms: int
    scan_ms: int
    differing: int
    examples: tuple[str, ...]
    tracks: tuple[Track, ...]
    journal: tuple[JournalEntry, ...]


def replay_vat(
    vat: str,
    slots: Iterable[ReplaySlot],
    recorded: SettingsOf,
    others: Sequence[SettingsOf] = (),
    count_from_ms: int = 0,
    progress: Callable[[int], None] | None = None,
    same: Same = lambda now, then: now == then,
) -> VatReplay:
    """Replay `slots` (from the vat's first stored slot on, in order) unchanged and with each of `others`.

    Only slots that end after `count_from_ms` are counted; the ones before bring the vat's state to where it was. `progress`
    hears the newest slot now and then. `same` compares what is made now with what was stored.
    """
    base = _Judged(recorded)
    followers = [_Alarmed(base, one) for one in others]
    tallies = [_Tally(vat) for _ in range(1 + len(others))]
    comparison = _Comparison(same)
    judged = count = first_ms = last_ms = scan_ms = 0
    journal: list[JournalEntry] = []
    for slot in slots:
        result = base.step(slot)
        stepped = [follower.step(slot, result) for follower in followers]
        journal.extend(slot.journal)
        judged += 1
        if progress is not None and judged % 1000 == 0:
            progress(slot.slot_ms)
        if slot.slot_ms <= count_from_ms:
            continue
        comparison.hold(slot, result)
        tallies[0].add(result.scan, result.alarm_events, result.pushes)
        for tally, (scan, events, pushes) in zip(tallies[1:], stepped, strict=True):
            tally.add(scan, events, pushes)
        count += 1
        first_ms, last_ms = first_ms or slot.slot_ms, slot.slot_ms
    if base.settings is not None:
        scan_ms = base.settings.scan_ms
    return VatReplay(
        vat=vat,
        judged=judged,
        slots=count,
        first_ms=first_ms,
        last_ms=last_ms,
        scan_ms=scan_ms,
        differing=comparison.differing,
        examples=tuple(comparison.examples),
        tracks=tuple(tally.track() for tally in tallies),
        journal=tuple(journal),
    )


def only_telling_differs(settings: VatSettings, other: VatSettings) -> bool:
    """Whether two settings judge every scan alike and differ at most in when and how often is told."""
    return settings == other or settings == replace(
        other,
        lead_ms=settings.lead_ms,
        off_timing=settings.off_timing,
        tiring_timing=settings.tiring_timing,
        heating_timing=settings.heating_timing,
        unlogged_timing=settings.unlogged_timing,
        doubtful_timing=settings.doubtful_timing,
        overheat_timing=settings.overheat_timing,
        silent_timing=settings.silent_timing,
    )


class _Judged:
    """A whole judgement of its own. `before` and `state` are the states around the newest slot."""

    def __init__(self, settings_of: SettingsOf) -> None:
        self._settings_of = settings_of
        self._version: int | None = None
        self.settings: VatSettings | None = None
        self.state: VatState | None = None
        self.before: VatState | None = None
        self.failed = False

    def step(self, slot: ReplaySlot) -> StepResult:
        if self.settings is None or slot.settings_version != self._version:
            self.settings, self._version = self._settings_of(slot.settings_version), slot.settings_version
        self.before = self.state or initial_state(self.settings)
        self.state, result, error = step_or_unknown(
            self.settings, self.before, slot.slot_ms, slot.samples, slot.journal, slot.actions
        )
        self.failed = error is not None
        return result


class _Alarmed:
    """Other settings beside the first track: alarms alone where that is enough, a judgement of its own where it is not.

    Once it has judged by itself it goes on so: its state is no longer the first track's.
    """

    def __init__(self, base: _Judged, settings_of: SettingsOf) -> None:
        self._base = base
        self._settings_of = settings_of
        self._version: int | None = None
        self._settings: VatSettings | None = None
        self._alarms: VatState | None = None
        self._own: _Judged | None = None

    def step(self, slot: ReplaySlot, given: StepResult) -> tuple[Scan, Sequence[AlarmEvent], Sequence[Push]]:
        if self._settings is None or slot.settings_version != self._version:
            self._settings, self._version = self._settings_of(slot.settings_version), slot.settings_version
            self._look_whether_alone()
        if self._own is not None:
            result = self._own.step(slot)
            return result.scan, result.alarm_events, result.pushes
        return self._run_alarms(self._settings, slot, given)

    def _look_whether_alone(self) -> None:
        assert self._settings is not None  # noqa: S101 - for the type checker: set by the caller
        assert self._base.settings is not None  # noqa: S101
        if self._own is None and not only_telling_differs(self._base.settings, self._settings):
            self._own = _Judged(self._settings_of)
            if self._base.before is not None and self._alarms is not None:
                self._own.state = replace(self._base.before, alarms=self._alarms.alarms)

    def _run_alarms(
        self, settings: VatSettings, slot: ReplaySlot, given: StepResult
    ) -> tuple[Scan, Sequence[AlarmEvent], Sequence[Push]]:
        before, after, scan = self._base.before, self._base.state, given.scan
        assert before is not None  # noqa: S101 - the first track has stepped
        assert after is not None  # noqa: S101
        if self._base.failed:
            return scan, (), ()
        mine = before if self._alarms is None else replace(before, alarms=self._alarms.alarms)
        state = replace(after, alarms=after_gap(mine, settings, slot.slot_ms).alarms)
        temperature_c = scan.temperature_c.value
        limits = {name: limit.at for name, limit in window.limits_of(settings, temperature_c).items()}
        judged = situations(
            state,
            settings,
            scan,
            window.values_of(scan.ph_25c, scan.reduction, temperature_c),
            limits,
            scan.settled_from_ms is not None,
            quantities_out(state.probes, settings, slot.slot_ms),
        )
        self._alarms, events, pushes = run_alarms(state, settings, scan, judged, slot.actions)
        return scan, events, pushes


class _Tally:
    """What is kept of one track."""

    def __init__(self, vat: str) -> None:
        self._stays = StayTally(vat)
        self._told: list[Told] = []

    def add(self, scan: Scan, events: Sequence[AlarmEvent], pushes: Sequence[Push]) -> None:
        self._stays.add(scan)
        if pushes:
            self._told.extend(told_of(events, pushes))

    def track(self) -> Track:
        return Track(tuple(self._told), self._stays.stays())


def told_of(events: Sequence[AlarmEvent], pushes: Sequence[Push]) -> list[Told]:
    """Pushes of one slot with the transitions behind them: a push's id ends in its alarm's transition and slot."""
    found = []
    for push in pushes:
        mine = [event.transition for event in events if event.alarm == push.alarm]
        named = [one for one in mine if f"-{one.replace(' ', '-')}-{push.slot_ms}" in push.push_id]
        transition = (named or mine or [""])[0]
        found.append(Told(push.slot_ms, push.vat, push.alarm, transition, push.urgency.value, push.title))
    return found


class _Comparison:
    """Holds each slot made now against the one stored."""

    def __init__(self, same: Same) -> None:
        self._same = same
        self.differing = 0
        self.examples: list[str] = []

    def hold(self, slot: ReplaySlot, result: StepResult) -> None:
        pairs = (
            ("scan", result.scan, slot.scan),
            ("samples", result.samples, slot.samples),
            ("alarm events", result.alarm_events, slot.alarm_events),
            ("pushes", result.pushes, slot.pushes),
        )
        different = [(name, now, then) for name, now, then in pairs if not self._same(now, then)]
        if different:
            self.differing += 1
            if len(self.examples) < SHOWN_DIFFERENCES:
                name, now, then = different[0]
                self.examples.append(f"slot {slot.slot_ms}: {name}\n  now  {now!r}\n  then {then!r}")
