"""The back-test on a record: unchanged it gives what was recorded; changed, what the pipeline alone gives."""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.season.recorded import record
from vatwatch.errors import ConfigError
from vatwatch.records import Scan
from vatwatch.season.backtest import backtest_of
from vatwatch.season.replay import Told, Track, VatReplay, only_telling_differs, replay_vat, told_of
from vatwatch.season.stays import StayTally
from vatwatch.store.reading import StoreReader
from vatwatch.store.replaying import ReplaySlot
from vatwatch.trial_settings import (
    Change,
    changed_text,
    parse_change,
    parse_choices,
    refuse_unknown_vats,
    settings_by_version,
)
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

FOR_EVER = 2**62
TELLING = "vat.*.alarms.off_after_min=30"
COLD = "vat.vat0.window.temperature_low_c=20"
LIMIT = "vat.vat0.window.reduction_low=0.97"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days of one vat: cable off, late lines, looks, feeds, alarms acknowledged, an hour missing, settings changed."""
    path = tmp_path_factory.mktemp("record") / "store.db"
    record(path, vats=1, days=3.2, scan_s=120, later={"alarms": {"warn_ahead_h": 5, "off_after_min": 10}})
    return path


def settings_of(reader: StoreReader, *changes: str) -> Callable[[int], VatSettings]:
    return settings_by_version(reader, [parse_change(change) for change in changes])("vat0")


def replayed(reader: StoreReader, *trials: tuple[str, ...], from_ms: int = 0) -> VatReplay:
    slots = reader.replay_slots("vat0", 0, FOR_EVER)
    return replay_vat(
        "vat0", slots, settings_of(reader), [settings_of(reader, *trial) for trial in trials], count_from_ms=from_ms
    )


TRIALS = ((TELLING,), (COLD,), (COLD, TELLING), (LIMIT,), ())


@pytest.fixture(scope="module")
def whole(store: Path) -> VatReplay:
    """The whole record with every trial beside it."""
    with StoreReader(store) as reader:
        return replayed(reader, *TRIALS)


def by_another_road(reader: StoreReader, settings: Callable[[int], VatSettings]) -> Track:
    """The same settings through the pure step alone."""
    state: VatState | None = None
    told: list[Told] = []
    stays = StayTally("vat0")
    for slot in reader.replay_slots("vat0", 0, FOR_EVER):
        own = settings(slot.settings_version)
        state, result = step(own, state or initial_state(own), slot.slot_ms, slot.samples, slot.journal, slot.actions)
        told += told_of(result.alarm_events, result.pushes)
        stays.add(result.scan)
    return Track(tuple(told), stays.stays())


def test_unchanged_it_is_what_was_recorded(store: Path) -> None:
    with StoreReader(store) as reader:
        replay = replay_vat(
            "vat0",
            reader.replay_slots("vat0", 0, FOR_EVER),
            settings_of(reader),
            same=lambda now, then: repr(now) == repr(then),
        )
        assert replay.examples == ()
        assert replay.differing == 0
        assert replay.slots == replay.judged == sum(1 for _ in reader.scans("vat0", 0, FOR_EVER))
        recorded = [(push.slot_ms, push.alarm, push.title) for push in reader.pushes(0, FOR_EVER)]
        assert [(one.slot_ms, one.alarm, one.title) for one in replay.tracks[0].told] == recorded
        assert len(recorded) >= 5, "a record in which nothing happened proves nothing"
        assert len({one.transition for one in replay.tracks[0].told}) >= 2
        assert reader.newest_settings() is not None
        assert {slot.settings_version for slot in reader.replay_slots("vat0", 0, FOR_EVER)} == {1, 2}


def test_changed_tracks_are_what_the_pipeline_gives(store: Path, whole: VatReplay) -> None:
    """One track shares the judgement, three have their own; each is what `step` gives with those settings alone."""
    with StoreReader(store) as reader:
        for trial, track in zip(TRIALS[:4], whole.tracks[1:5], strict=True):
            assert track == by_another_road(reader, settings_of(reader, *trial)), trial
    assert whole.tracks[5] == whole.tracks[0]
    assert len(set(whole.tracks)) == 5, "changes that change nothing prove nothing"


def test_who_shares_a_judgement(store: Path) -> None:
    with StoreReader(store) as reader:
        own = settings_of(reader)(1)
        assert only_telling_differs(own, settings_of(reader, TELLING)(1))
        assert not only_telling_differs(own, settings_of(reader, COLD)(1))
        assert not only_telling_differs(own, settings_of(reader, LIMIT)(1))


def test_a_record_that_does_not_come_out_is_told(store: Path) -> None:
    with StoreReader(store) as reader:
        replay = replay_vat("vat0", reader.replay_slots("vat0", 0, FOR_EVER), settings_of(reader, LIMIT))
    assert replay.differing > 0
    assert "now" in replay.examples[0]


def test_a_part_is_judged_with_all_that_went_before(store: Path, whole: VatReplay) -> None:
    """The last day alone is the same day of the whole: the days before are replayed too, only not counted."""
    from_ms = whole.last_ms - 86_400_000
    with StoreReader(store) as reader:
        part = replayed(reader, (TELLING,), from_ms=from_ms)
    assert part.differing == 0
    assert part.judged == whole.judged > part.slots
    for all_days, last_day in zip(whole.tracks[:2], part.tracks, strict=True):
        assert last_day.told == tuple(one for one in all_days.told if one.slot_ms > from_ms)


def test_slots_are_let_go(store: Path) -> None:
    """Memory stays flat: however many slots come, hardly any is held at once."""
    held: list[int] = []
    with StoreReader(store) as reader:
        sample = next(iter(reader.replay_slots("vat0", 0, FOR_EVER)))

        def many() -> object:
            for place in range(2_500):
                yield replace(sample, slot_ms=sample.slot_ms + place * 120_000, samples=(), journal=(), actions=())

        def look(_slot_ms: int) -> None:
            held.append(sum(isinstance(one, ReplaySlot | Scan) for one in gc.get_objects()))

        replay_vat("vat0", many(), settings_of(reader), progress=look)  # type: ignore[arg-type]
    assert len(held) == 2
    assert max(held) < 40


def test_side_by_side(whole: VatReplay) -> None:
    changed, same = backtest_of(whole, 4), backtest_of(whole, 5)
    assert same.moved == ()
    assert same.changed == same.recorded
    assert changed.changed is not None
    assert changed.recorded_by_changed is not None
    pushes = changed.changed.pushes - changed.recorded.pushes
    come = sum(one.then_ms is None for one in changed.moved)
    gone = sum(one.now_ms is None for one in changed.moved)
    assert come - gone == pushes
    assert changed.moved


def test_a_change_is_read() -> None:
    assert parse_change("vat.blue.alarms.warn_ahead_h=4") == Change("blue", ("alarms", "warn_ahead_h"), 4)
    assert parse_change("vat.*.window.reduction_low = 0.93").value == 0.93
    assert parse_change("vat.blue.chemistry=woad").value == "woad"
    assert parse_change("vat.blue.warmed=true").value is True
    assert [one.value for one in parse_choices("vat.*.alarms.warn_ahead_h=2,3,4")] == [2, 3, 4]


@pytest.mark.parametrize(
    "text", ["", "warn=3", "vat.blue=3", "site.scan_s=5", "vat.blue.alarms.warn_ahead_h", "vat..x.y=1"]
)
def test_a_change_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match=r"expected vat\.NAME"):
        parse_change(text)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("vat.vat0.alarms.warn_ahed_h=4", "did you mean warn_ahead_h"),
        ("vat.vat0.alarms.warn_ahead_h=400", "warn_ahead_h"),
        ("vat.vat0.window.reduction_low=high", "reduction_low"),
        ("vat.vat0.name.first=x", "not a table"),
        ("vat.vat0.window.ph_low=13.5", "ph_low"),
    ],
)
def test_a_change_that_cannot_be_names_its_key(store: Path, change: str, told: str) -> None:
    with StoreReader(store) as reader, pytest.raises(ConfigError, match=told):
        settings_of(reader, change)(1)


def test_unknown_vats_are_refused(store: Path) -> None:
    with StoreReader(store) as reader:
        with pytest.raises(ConfigError, match="known: vat0"):
            refuse_unknown_vats(reader, [parse_change("vat.green.alarms.warn_ahead_h=4")], None)
        with pytest.raises(ConfigError, match="no vat of the record"):
            refuse_unknown_vats(reader, [], {"green": {}})


def test_no_change_changes_nothing(store: Path) -> None:
    with StoreReader(store) as reader:
        text = reader.settings(1)
        assert changed_text(text, []) == text
        assert settings_of(reader)(1) == settings_by_version(reader, [], {})("vat0")(1)
