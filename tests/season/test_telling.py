"""What pushes were worth, on spans made by hand: every figure follows from the lines above it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vatwatch.records import JournalEntry, Measured, Scan
from vatwatch.season import backtest_words
from vatwatch.season.backtest import Moved, moved
from vatwatch.season.replay import Told, Track, VatReplay
from vatwatch.season.searching import LEAST_EXCURSIONS, search_of
from vatwatch.season.stays import Stay, StayTally
from vatwatch.season.telling import worth_of
from vatwatch.terms import EntryKind, Flag, VatCondition

MINUTE, HOUR = 60_000, 3_600_000
T = 1_780_000_000_000 - 1_780_000_000_000 % HOUR
GOOD = Measured(9.5, 0.02, Flag.PASS)
WARM = Measured(40.0, 0.2, Flag.PASS)


def scan(minute: float, *shortfalls: str, settling: bool = False, known: bool = True) -> Scan:
    at_ms = T + round(minute * MINUTE)
    return Scan(
        at_ms, "tub", GOOD if known else replace(GOOD, value=None), GOOD, WARM, -390.0, 4.0, 9.5 if known else None,
        None, VatCondition.OFF if shortfalls else VatCondition.DYEABLE, shortfalls, at_ms + HOUR if settling else None,
    )  # fmt: skip


def stays(*scans: Scan) -> list[tuple[str, float, float, float]]:
    tally = StayTally("tub")
    for one in scans:
        tally.add(one)
    return [
        (one.limit, (one.from_ms - T) / MINUTE, (one.to_ms - T) / MINUTE, one.settled_ms / MINUTE)
        for one in tally.stays()
    ]


def test_stays_are_gathered_from_scans() -> None:
    low = "off-ph-low"
    assert stays(scan(0), *(scan(minute, low) for minute in range(1, 46))) == [(low, 1, 45, 44)]
    flicker = [
        scan(0),
        *(scan(m, low) for m in range(1, 11)),
        scan(11),
        scan(20),
        *(scan(m, low) for m in range(21, 31)),
    ]
    assert stays(*flicker) == [(low, 1, 30, 9 + 1 + 9)], "less than 20 min apart is one stay"
    assert stays(scan(0), scan(1, low), scan(2), scan(40), scan(41, low)) == [(low, 1, 1, 0), (low, 41, 41, 0)]
    settling = [scan(0), *(scan(m, low, settling=m > 10) for m in range(1, 31))]
    assert stays(*settling) == [(low, 1, 30, 9)], "settling does not count"
    assert stays(scan(0, low), scan(1, low), scan(2, low)) == [], "never inside: still being made"
    assert stays(scan(0, known=False), scan(1, low)) == [], "not known is not inside"
    assert stays(scan(0), scan(1, low), scan(90, low)) == [(low, 1, 90, 20)], "a hole counts for 20 min at most"


def told(hour: float, alarm: str, transition: str = "occurs", urgency: str = "act") -> Told:
    return Told(T + round(hour * HOUR), "tub", alarm, transition, urgency, alarm)


def stay(from_h: float, to_h: float, limit: str = "off-reduction", settled_h: float | None = None) -> Stay:
    settled = to_h - from_h if settled_h is None else settled_h
    return Stay("tub", limit, T + round(from_h * HOUR), T + round(to_h * HOUR), round(settled * HOUR))


def wrote(hour: float, kind: EntryKind) -> JournalEntry:
    at_ms = T + round(hour * HOUR)
    return JournalEntry(f"{kind}-{hour}", at_ms, at_ms, "tub", kind)


def worth(pushes: list[Told], excursions: list[Stay], *journal: JournalEntry, to_h: float = 1000.0):  # type: ignore[no-untyped-def]
    return worth_of(pushes, excursions, list(journal), T - 1, T + round(to_h * HOUR))


def test_excursions_are_told_ahead_late_or_not_at_all() -> None:
    found = worth(
        [told(7, "tiring-reduction"), told(10.5, "off-reduction"), told(31, "off-reduction"), told(60, "tiring-ph")],
        [stay(10, 12), stay(30, 33), stay(90, 95), stay(120, 120.4)],
    )
    assert [None if one.ahead_ms is None else one.ahead_ms / HOUR for one in found.verdicts] == [3.0, -1.0, None]
    assert (found.told_ahead(2 * HOUR), found.told_ahead(4 * HOUR), found.told, found.missed) == (1, 0, 2, 1)


def test_a_warning_belongs_to_one_excursion() -> None:
    found = worth([told(7, "tiring-reduction")], [stay(10, 12), stay(20, 22)])
    assert [one.first_ms is None for one in found.verdicts] == [False, True]


@pytest.mark.parametrize(
    ("push", "excursions", "journal", "needless"),
    [
        (told(7, "tiring-reduction"), [stay(10, 12)], [], False),
        (told(7, "tiring-reduction"), [stay(10, 12, "off-cold")], [], True),
        (told(7, "tiring-reduction"), [stay(20, 22)], [], True),
        (told(7, "tiring-reduction"), [], [wrote(9, EntryKind.FEED)], False),
        (told(7, "tiring-reduction"), [], [wrote(14, EntryKind.FEED)], True),
        (told(7, "tiring-reduction"), [], [wrote(8, EntryKind.CHECK)], True),
        (told(7, "doubtful"), [], [wrote(8, EntryKind.CHECK)], False),
        (told(7, "off-reduction"), [stay(6.9, 7.2)], [], True),
        (told(7, "overheat", urgency="danger"), [stay(6.9, 7.2, "overheat")], [], False),
        (told(7, "unlogged", urgency="tell"), [], [wrote(8, EntryKind.STIR)], False),
        (told(7, "unlogged", urgency="tell"), [], [], True),
        (told(7, "silent-ph"), [], [], False),
        (told(7, "cooling"), [stay(9, 12, "off-cold")], [], False),
    ],
)
def test_needless(push: Told, excursions: list[Stay], journal: list[JournalEntry], needless: bool) -> None:
    assert bool(worth([push], excursions, *journal).needless) is needless


def test_a_short_silence_is_needless_and_repetitions_are_neither() -> None:
    found = worth(
        [
            told(7, "silent-ph"),
            told(7.1, "silent-ph", "returns to normal"),
            told(20, "silent-ph"),
            told(24, "silent-ph", "re-alarms"),
            told(25, "silent-ph", "returns to normal"),
        ],
        [],
    )
    assert (found.pushes, len(found.raised), [one.slot_ms for one in found.needless]) == (5, 2, [T + 7 * HOUR])


def test_an_entry_taken_back_is_no_act() -> None:
    fed = wrote(9, EntryKind.FEED)
    undone = replace(wrote(9.2, EntryKind.UNDO), what=fed.entry_id)
    assert len(worth([told(7, "tiring-reduction")], [], fed, undone).needless) == 1


def test_pushes_that_differ_are_paired() -> None:
    then = [told(1, "tiring-ph"), told(40, "tiring-ph"), told(80, "off-cold"), told(90, "off-cold")]
    now = [told(2, "tiring-ph"), told(80, "off-cold"), told(85, "off-cold"), told(90, "off-cold")]
    assert moved(then, now) == [
        Moved(now[0], then[0].slot_ms, now[0].slot_ms),
        Moved(then[1], then[1].slot_ms, None),
        Moved(now[2], None, now[2].slot_ms),
    ]
    assert moved(then, then) == []
    lines = backtest_words.moved_words(moved(then, now), lambda ms: f"{(ms - T) / HOUR:g} h")
    assert lines == [
        "1 h “tiring-ph” would have come 1 h 0 min later",
        "40 h “tiring-ph” would not have come",
        "85 h “off-cold” would have come as well",
    ]


def season(*tracks: list[Told], excursions: list[Stay]) -> VatReplay:
    return VatReplay(
        "tub", 1, 1, T, T + 400 * HOUR, 10_000, 0, (), tuple(Track(tuple(one), tuple(excursions)) for one in tracks), ()
    )


STAYS = [stay(hour, hour + 2) for hour in range(20, 400, 30)]
WARNED = [told(one, "tiring-reduction") for one in range(17, 397, 30)]


def test_the_search_takes_the_fewest_needless_that_warn_as_well() -> None:
    noise = [told(hour, "tiring-ph") for hour in range(5, 395, 20)]
    some = noise[::4]
    deaf = WARNED[1:]
    finding = search_of(
        [season([*WARNED, *noise], deaf, [*WARNED, *some], excursions=STAYS)], ["deaf", "some"], 2 * HOUR
    )
    assert [one.whole.needless for one in finding.tried] == [len(noise), 0, len(some)]
    assert finding.tried[1].whole.ahead == len(STAYS) - 1
    assert (finding.best, finding.best_second, finding.refusal) == (2, 1, "")
    assert not finding.holds, "the deaf one looks best on the second half, and is deaf on the first"
    assert "does not hold" in " ".join(backtest_words.search_words(finding))
    finding = search_of([season([*WARNED, *noise], [*WARNED, *some], excursions=STAYS)], ["some"], 2 * HOUR)
    assert (finding.best, finding.best_first, finding.best_second, finding.holds) == (1, 1, 1, True)
    words = " ".join(backtest_words.search_words(finding))
    assert f"{len(some)} instead of {len(noise)}" in words
    assert "holds on the half" in words


def test_the_search_keeps_what_is_in_force_when_nothing_is_better() -> None:
    finding = search_of([season(WARNED, WARNED, excursions=STAYS)], ["same"], 2 * HOUR)
    assert finding.best == 0
    assert "None of the settings tried" in backtest_words.search_words(finding)[0]


def test_the_search_says_when_there_is_too_little_to_choose_by() -> None:
    few = STAYS[: LEAST_EXCURSIONS - 1]
    finding = search_of([season(WARNED, WARNED, excursions=few)], ["same"], 2 * HOUR)
    assert finding.refusal.startswith("Too few excursions")
    assert finding.refusal in backtest_words.search_words(finding)
