"""Hours by condition from scans, and alarm episodes from transitions."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from vatwatch.records import AlarmEvent, Measured, Scan
from vatwatch.season import words
from vatwatch.season.episodes import episodes_of
from vatwatch.season.hours import slot_length_ms, time_by_condition
from vatwatch.terms import AlarmState, Flag, VatCondition

SLOT_MS = 10_000
NONE = Measured(None, None, Flag.MISSING)


def scan(slot_ms: int, condition: VatCondition = VatCondition.DYEABLE) -> Scan:
    return Scan(slot_ms, "v", NONE, NONE, NONE, None, None, None, None, condition)


def test_each_condition_gets_its_slots_and_a_gap_is_not_recorded() -> None:
    scans = [
        scan(10_000),
        scan(20_000, VatCondition.SETTLING),
        scan(30_000, VatCondition.OFF),
        # nothing for 40 s
        scan(80_000, VatCondition.TOO_HOT),
        scan(90_000, VatCondition.UNKNOWN),
    ]
    times = time_by_condition(scans, 0, 100_000, SLOT_MS)
    assert times.rows() == (
        ("dyeable", 10_000),
        ("settling", 10_000),
        ("off", 10_000),
        ("too hot", 10_000),
        ("unknown", 10_000),
        ("not recorded", 50_000),
    )


def test_slots_are_cut_at_the_ends_of_the_span() -> None:
    times = time_by_condition([scan(10_000), scan(20_000), scan(30_000)], 4_000, 25_000, SLOT_MS)
    assert (times.dyeable_ms, times.not_recorded_ms) == (21_000, 0)
    later = time_by_condition([scan(10_000), scan(20_000)], 4_000, 25_000, SLOT_MS)
    assert (later.dyeable_ms, later.not_recorded_ms) == (16_000, 5_000)


def test_no_scans_means_nothing_is_known_of_the_time() -> None:
    assert time_by_condition([], 0, 3_600_000, SLOT_MS).not_recorded_ms == 3_600_000


@given(
    slots=st.lists(st.tuples(st.integers(-50, 400), st.sampled_from(VatCondition)), unique_by=lambda pair: pair[0]),
    begin=st.integers(0, 100),
    length=st.integers(1, 200),
)
def test_the_hours_are_those_counted_second_by_second(
    slots: list[tuple[int, VatCondition]], begin: int, length: int
) -> None:
    scans = [scan(number * 1000, condition) for number, condition in sorted(slots, key=lambda pair: pair[0])]
    times = time_by_condition(scans, begin * 1000, (begin + length) * 1000, 1000)
    # A slot named n covers the second from n - 1 to n.
    seconds = [condition for number, condition in slots if begin < number <= begin + length]
    assert times.dyeable_ms == 1000 * seconds.count(VatCondition.DYEABLE)
    assert times.unknown_ms == 1000 * seconds.count(VatCondition.UNKNOWN)
    assert sum(spent_ms for _, spent_ms in times.rows()) == length * 1000
    assert all(spent_ms >= 0 for _, spent_ms in times.rows())


@given(
    slots=st.lists(st.integers(0, 100_000), max_size=60),
    slot_ms=st.integers(1, 50_000),
)
def test_overlapping_slots_never_count_time_twice(slots: list[int], slot_ms: int) -> None:
    times = time_by_condition([scan(slot) for slot in sorted(slots)], 0, 90_000, slot_ms)
    assert 0 <= times.dyeable_ms <= 90_000
    assert times.dyeable_ms + times.not_recorded_ms == 90_000


def test_the_slot_length_is_the_commonest_step() -> None:
    assert slot_length_ms([scan(at) for at in (0, 5000, 10_000, 100_000, 105_000)]) == 5000
    assert slot_length_ms([scan(0)]) == 10_000
    assert slot_length_ms([scan(0), scan(0)]) == 10_000


S = AlarmState


def move(slot_ms: int, transition: str, before: S, after: S, occurrence: int = 1, value: float = 0.0) -> AlarmEvent:
    return AlarmEvent(slot_ms, "v", "overheat", occurrence, transition, before, after, value, 60.0)


def test_an_episode_is_raised_acknowledged_and_over() -> None:
    [episode] = episodes_of(
        [
            move(1000, "occurs", S.NORMAL, S.UNACKNOWLEDGED, value=60.5),
            move(5000, "acknowledge", S.UNACKNOWLEDGED, S.ACKNOWLEDGED, value=63.0),
            move(9000, "returns to normal", S.ACKNOWLEDGED, S.NORMAL, value=58.0),
        ]
    )
    assert (episode.raised_ms, episode.acknowledged_ms, episode.normal_ms) == (1000, 5000, 9000)
    assert (episode.lasted_ms, episode.farthest, episode.limit) == (8000, 63.0, 60.0)


def test_a_latched_alarm_is_over_when_the_vat_is_not_when_it_is_reset() -> None:
    [first, second] = episodes_of(
        [
            move(1000, "occurs", S.NORMAL, S.UNACKNOWLEDGED),
            move(4000, "returns to normal", S.UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED),
            move(6000, "acknowledge", S.LATCHED_UNACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED),
            move(8000, "occurs", S.LATCHED_ACKNOWLEDGED, S.UNACKNOWLEDGED, occurrence=2),
            move(9000, "re-alarms", S.UNACKNOWLEDGED, S.UNACKNOWLEDGED, occurrence=2),
        ]
    )
    assert (first.normal_ms, first.acknowledged_ms) == (4000, 6000)
    assert (second.raised_ms, second.normal_ms, second.lasted_ms) == (8000, None, None)


def test_what_began_before_the_span_or_was_set_aside_says_so() -> None:
    wording = words.Wording(ZoneInfo("UTC"))
    [earlier] = episodes_of([move(4000, "returns to normal", S.ACKNOWLEDGED, S.NORMAL)])
    assert (earlier.raised_ms, earlier.normal_ms) == (None, 4000)
    assert wording.episode_times(earlier)[0] == "before this span"
    [aside] = episodes_of(
        [
            move(1000, "occurs", S.NORMAL, S.UNACKNOWLEDGED),
            move(2000, "shelve", S.UNACKNOWLEDGED, S.SHELVED),
            move(9000, "unshelve", S.SHELVED, S.NORMAL),
        ]
    )
    assert (aside.set_aside, aside.normal_ms) == (True, None)
    assert wording.episode_times(aside)[2] == "set aside"
    assert episodes_of([move(1000, "shelve", S.NORMAL, S.SHELVED)]) == ()


def test_lengths_and_alarms_in_words() -> None:
    assert [words.length(ms) for ms in (42_000, 600_000, 3_599_999, 19_200_000, 270_000_000)] == [
        "42 s",
        "10 min",
        "1 h 0 min",
        "5 h 20 min",
        "3 d 3 h",
    ]
    assert words.alarm("off-ph-low") == "off: pH low"
    assert words.hours(60_000) == "under 0.1"
