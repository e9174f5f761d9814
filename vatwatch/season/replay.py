"""Judges a stored span again, slot by slot: with the settings it had, and beside that with others. Writes nothing.

Slots come from the store's reader in pages, so that memory stays flat; what is kept is what was told and the stays outside
the limits. The first track is always the unchanged one: it must give what the watch recorded, and says so when it does not.

Tracks whose settings differ only in how long something must last and how often it is told share one judgement: the alarms
of each run on the same scans, which is several times faster and gives the same (the tests hold both against each other).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from vatwatch.records import AlarmEvent, JournalEntry, Push, StepResult
from vatwatch.season.stays import Stay, StayTally
from vatwatch.store.replaying import ReplaySlot
from vatwatch.vat import window
from vatwatch.vat.alarm_set import run_alarms, situations
from vatwatch.vat.alarms import STANDING, AlarmMemory
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import after_gap, step_or_unknown
from vatwatch.vat.scan import quantities_out
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

SettingsOf = Callable[[int], VatSettings]
"""Settings version → this vat's settings under that version."""
Alarms = dict[str, AlarmMemory]
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
    side_by_side = _SideBySide([recorded, *others])
    tallies = [_Tally(vat) for _ in range(1 + len(others))]
    comparison = _Comparison(same)
    judged = count = first_ms = last_ms = scan_ms = 0
    journal: list[JournalEntry] = []
    for slot in slots:
        results = side_by_side.step(slot)
        journal.extend(slot.journal)
        judged += 1
        if progress is not None and judged % 1000 == 0:
            progress(slot.slot_ms)
        if slot.slot_ms <= count_from_ms:
            continue
        comparison.hold(slot, results[0])
        for tally, result in zip(tallies, results, strict=True):
            tally.add(result)
        count += 1
        first_ms, last_ms = first_ms or slot.slot_ms, slot.slot_ms
    if judged:
        scan_ms = side_by_side.scan_ms
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
    """Whether two settings judge every scan alike and differ at most in how long a thing must last to be told, and how often.

    The lead is not among these: how likely a limit is passed within it is worked out with the forecast.
    """
    return settings == other or settings == replace(
        other,
        off_timing=settings.off_timing,
        tiring_timing=settings.tiring_timing,
        heating_timing=settings.heating_timing,
        unlogged_timing=settings.unlogged_timing,
        doubtful_timing=settings.doubtful_timing,
        overheat_timing=settings.overheat_timing,
        silent_timing=settings.silent_timing,
    )


class _Judgement:
    """One run of the pipeline. `before` and `after` are the states around the newest slot."""

    def __init__(self, settings: VatSettings, after: VatState) -> None:
        self.settings = settings
        self.before = self.after = after
        self.failed = self.quiet = False

    def step(self, slot: ReplaySlot) -> StepResult:
        self.before = self.after
        self.after, result, error = step_or_unknown(
            self.settings, self.before, slot.slot_ms, slot.samples, slot.journal, slot.actions
        )
        self.failed = error is not None
        self.quiet = not (result.alarm_events or slot.actions) and _quiet(self.before.alarms, self.after.alarms)
        return result


def _quiet(before: Alarms, after: Alarms) -> bool:
    """Whether no alarm stands, runs towards being raised, or has changed: no timing then makes a difference."""
    if before.keys() != after.keys():
        return False
    for name, memory in after.items():
        if memory.beyond_since_ms is not None or memory.state in STANDING:
            return False
        then = before[name]
        if then is not memory and then != memory:
            return False
    return True


def _alike(mine: Alarms, its: Alarms) -> bool:
    """Whether two sets of alarms are in the same states and delays; how often each was raised before may differ."""
    return mine.keys() == its.keys() and all(
        replace(memory, occurrence=0, last_raised_ms=None) == replace(its[name], occurrence=0, last_raised_ms=None)
        for name, memory in mine.items()
    )


class _TrackNow:
    """One track: its settings, the judgement it shares, and its own alarms where it is not the one that judgement is for."""

    __slots__ = ("alarms", "alike", "judgement", "settings")

    def __init__(self, settings: VatSettings, judgement: _Judgement, alarms: Alarms | None) -> None:
        self.settings, self.judgement, self.alarms = settings, judgement, alarms
        self.alike = False

    def state(self) -> VatState:
        after = self.judgement.after
        return after if self.alarms is None else replace(after, alarms=self.alarms)


class _SideBySide:
    """All tracks of one vat. When a new version of the settings begins, who shares a judgement is settled anew."""

    def __init__(self, settings_of: Sequence[SettingsOf]) -> None:
        self._settings_of = settings_of
        self._version: int | None = None
        self._tracks: list[_TrackNow] = []
        self._judgements: list[_Judgement] = []

    @property
    def scan_ms(self) -> int:
        return self._tracks[0].settings.scan_ms

    def step(self, slot: ReplaySlot) -> list[StepResult]:
        """What every track makes of the slot, in their order."""
        if slot.settings_version != self._version:
            self._share_out(slot.settings_version)
        given = {id(judgement): judgement.step(slot) for judgement in self._judgements}
        return [_told_by(track, slot, given[id(track.judgement)]) for track in self._tracks]

    def _share_out(self, version: int) -> None:
        """Tracks go on together only if they were together before: what each has learnt so far is its own."""
        self._version = version
        tracks: list[_TrackNow] = []
        heads: list[tuple[_Judgement | None, _Judgement]] = []
        for place, settings_of in enumerate(self._settings_of):
            settings = settings_of(version)
            old = self._tracks[place] if self._tracks else None
            state = initial_state(settings) if old is None else old.state()
            came_from = None if old is None else old.judgement
            shared = next(
                (now for then, now in heads if then is came_from and only_telling_differs(now.settings, settings)), None
            )
            if shared is None:
                shared = _Judgement(settings, state)
                heads.append((came_from, shared))
                tracks.append(_TrackNow(settings, shared, None))
            else:
                tracks.append(_TrackNow(settings, shared, state.alarms))
        self._tracks, self._judgements = tracks, [now for _, now in heads]


def _told_by(track: _TrackNow, slot: ReplaySlot, given: StepResult) -> StepResult:
    """A track's own alarms on the scan its judgement gave; the judgement's own track has run them already."""
    if track.alarms is None:
        return given
    before, after, scan = track.judgement.before, track.judgement.after, given.scan
    if track.judgement.failed:
        return replace(given, alarm_events=(), pushes=())
    if track.judgement.quiet and track.alike:
        return given
    settings = track.settings
    mine = after_gap(replace(before, alarms=track.alarms), settings, slot.slot_ms)
    state = replace(after, alarms=mine.alarms)
    temperature_c = scan.temperature_c.value
    judged = situations(
        state,
        settings,
        scan,
        window.values_of(scan.ph_25c, scan.reduction, temperature_c),
        {name: limit.at for name, limit in window.limits_of(settings, temperature_c).items()},
        scan.settled_from_ms is not None,
        quantities_out(state.probes, settings, slot.slot_ms),
    )
    state, events, pushes = run_alarms(state, settings, scan, judged, slot.actions)
    track.alarms = state.alarms
    track.alike = track.judgement.quiet and _alike(state.alarms, after.alarms)
    return replace(given, alarm_events=tuple(events), pushes=tuple(pushes))


class _Tally:
    """What is kept of one track."""

    def __init__(self, vat: str) -> None:
        self._stays = StayTally(vat)
        self._told: list[Told] = []

    def add(self, result: StepResult) -> None:
        self._stays.add(result.scan)
        if result.pushes:
            self._told.extend(told_of(result.alarm_events, result.pushes))

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
