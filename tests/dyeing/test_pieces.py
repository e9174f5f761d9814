"""Pieces as the journal tells them: dips, timers' facts, finishing, outcomes, entries taken back."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.dyeing.details import detail_complaints
from vatwatch.dyeing.outcomes import RUBBING_GRADES, k_over_s, outcome_complaints
from vatwatch.dyeing.pieces import MINUTE_MS, Stage, pieces_of
from vatwatch.dyeing.steps import FINISHING, Detail, Step, finishing_for
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind

T = 1_780_000_000_000


def entry(entry_id: str, minute: float, kind: EntryKind, what: str = "Scarf", **details: str) -> JournalEntry:
    time_ms = T + round(minute * MINUTE_MS)
    return JournalEntry(entry_id, time_ms, time_ms, "tub", kind, what, details=tuple(sorted(details.items())))


def went_in(entry_id: str, minute: float, what: str = "Scarf", **details: str) -> JournalEntry:
    return entry(entry_id, minute, EntryKind.DIP, what, part="in", **details)


def came_out(entry_id: str, minute: float, of: str, what: str = "Scarf", **details: str) -> JournalEntry:
    return entry(entry_id, minute, EntryKind.DIP, what, part="out", of=of, **details)


STORY = [
    entry("wet", 0, EntryKind.NOTE, step="pre-wet", planned_min="40", fibre="cellulose", dry_grams="120"),
    went_in("in1", 40, planned_min="8"),
    came_out("out1", 50, "in1", air_min="15"),
    went_in("in2", 65, "scarf "),
    came_out("out2", 75, "in2"),
    entry("rinse", 90, EntryKind.FINISH, step="rinse"),
    entry("dry", 600, EntryKind.FINISH, step="dry"),
    entry("judge", 700, EntryKind.OUTCOME, rubbing_dry="4-5"),
]


@pytest.mark.parametrize(
    ("told", "stage"),
    [
        (1, Stage.PRE_WETTING),
        (2, Stage.IN_LIQUOR),
        (3, Stage.AIRING),
        (4, Stage.IN_LIQUOR),
        (5, Stage.AIRING),
        (6, Stage.FINISHING),
        (7, Stage.FINISHING),
        (8, Stage.JUDGED),
    ],
)
def test_a_piece_goes_from_stage_to_stage(told: int, stage: Stage) -> None:
    [piece] = pieces_of(STORY[:told])
    assert piece.stage is stage
    assert (piece.fibre, piece.dry_grams, piece.pre_wet_min) == ("cellulose", 120.0, 40.0)


def test_dips_are_counted_and_timed() -> None:
    [piece] = pieces_of(STORY)
    assert [(dip.number, dip.minutes, dip.planned_min) for dip in piece.dips] == [(1, 10.0, 8.0), (2, 10.0, 10.0)]
    assert (piece.air_min, piece.name) == (15.0, "Scarf")


def test_a_piece_dipped_again_is_finished_again() -> None:
    [piece] = pieces_of([*STORY, went_in("in3", 800)])
    assert piece.stage is Stage.IN_LIQUOR
    assert piece.done(Step.RINSE) is None
    [piece] = pieces_of(STORY)
    assert piece.done(Step.RINSE) is not None


def test_what_was_taken_back_counts_for_nothing() -> None:
    undo = entry("u", 76, EntryKind.UNDO, "out2")
    [piece] = pieces_of([*STORY[:5], undo])
    assert piece.stage is Stage.IN_LIQUOR
    beginning = entry("u", 76, EntryKind.UNDO, "in2")
    [piece] = pieces_of([*STORY[:5], beginning])
    assert len(piece.dips) == 1, "the end of a dip whose beginning was taken back must not stay"
    assert pieces_of([STORY[1], entry("u", 41, EntryKind.UNDO, "in1")]) == []


def test_a_dip_written_down_whole_was_over_then() -> None:
    whole = replace(entry("d", 30, EntryKind.DIP), minutes=12.0)
    [piece] = pieces_of([whole])
    assert (piece.dips[0].start_ms, piece.dips[0].end_ms) == (T + 18 * MINUTE_MS, T + 30 * MINUTE_MS)
    assert piece.stage is Stage.AIRING


def test_an_unnamed_dip_makes_no_piece() -> None:
    assert pieces_of([entry("d", 0, EntryKind.DIP, "  ")]) == []


@given(seed=st.integers(0, 10_000))
def test_the_order_of_telling_does_not_matter(seed: int) -> None:
    shuffled = [*STORY, entry("u", 80, EntryKind.UNDO, "out1")]
    expected = pieces_of(shuffled)
    random.Random(seed).shuffle(shuffled)
    assert pieces_of(shuffled) == expected


def test_wool_is_not_boiled() -> None:
    assert Step.BOIL not in {step.step for step in finishing_for("protein")}
    assert Step.BOIL in {step.step for step in finishing_for("cellulose")}
    assert detail_complaints(entry("b", 0, EntryKind.FINISH, step="boil", fibre="protein")) == [
        "Wool and silk are not boiled: boiling is for cotton, linen and hemp."
    ]


def test_the_acid_step_says_where_acid_never_goes() -> None:
    [acid] = [step for step in FINISHING if step.step is Step.ACID_REST]
    assert "Acid never near the vat" in acid.advice
    assert "pot of its own" in acid.advice


@pytest.mark.parametrize(
    ("reflectance", "expected"),
    # Worked values of K/S = (1 − R)²/(2R), Kubelka & Munk 1931: by hand.
    [(0.50, 0.25), (0.10, 4.05), (0.05, 9.025), (1.0, 0.0)],
)
def test_k_over_s(reflectance: float, expected: float) -> None:
    assert k_over_s(reflectance) == pytest.approx(expected, rel=1e-12)
    with pytest.raises(ValueError, match="expected more than 0"):
        k_over_s(0.0)


def test_the_grey_scale_has_nine_grades() -> None:
    # ISO 105-A03: five grades and four halves between them.
    assert len(RUBBING_GRADES) == 9
    assert RUBBING_GRADES[0] == "5"
    assert RUBBING_GRADES[-1] == "1"


@pytest.mark.parametrize(
    ("text", "details", "sentence"),
    [
        ("", {}, "Say how it turned out"),
        ("deep", {}, "Judge the shade when the piece is dry"),
        ("", {"l_star": "30", "judged_dry": "yes"}, "belong together"),
        ("", {"l_star": "130", "a_star": "0", "b_star": "0", "judged_dry": "yes"}, "L*: expected a number from 0 to"),
        ("", {"k_over_s": "nan", "judged_dry": "yes"}, "K/S: expected"),
        ("", {"rubbing_wet": "4.5"}, "Wet rubbing: expected a grade"),
    ],
)
def test_outcomes_that_cannot_be(text: str, details: dict[str, str], sentence: str) -> None:
    assert sentence in " ".join(outcome_complaints(text, details))


def test_an_outcome_that_can_be() -> None:
    details = {"l_star": "24.5", "a_star": "1.2", "b_star": "-21", "judged_dry": "yes", "rubbing_wet": "2-3"}
    assert outcome_complaints("a deep clear blue", details) == []
    assert outcome_complaints("", {"rubbing_dry": "4"}) == []


@pytest.mark.parametrize(
    "wrong",
    [
        entry("x", 0, EntryKind.FEED, fibre="cellulose"),
        entry("x", 0, EntryKind.DIP, part="sideways"),
        entry("x", 0, EntryKind.DIP, "", part="in"),
        entry("x", 0, EntryKind.DIP, part="out"),
        entry("x", 0, EntryKind.DIP, fibre="nylon"),
        entry("x", 0, EntryKind.DIP, dry_grams="-1"),
        entry("x", 0, EntryKind.DIP, planned_min="inf"),
        entry("x", 0, EntryKind.NOTE, "", step="pre-wet"),
        entry("x", 0, EntryKind.FINISH),
        entry("x", 0, EntryKind.FINISH, step="pre-wet"),
        entry("x", 0, EntryKind.OUTCOME, "", rubbing_dry="4"),
        replace(entry("x", 0, EntryKind.DIP), details=(("fibre", "protein"), ("fibre", "protein"))),
        entry("x", 0, EntryKind.DIP, despite="x" * 301),
    ],
)
def test_details_that_cannot_be(wrong: JournalEntry) -> None:
    assert detail_complaints(wrong)


def test_every_detail_is_allowed_somewhere() -> None:
    from vatwatch.dyeing.details import ALLOWED

    assert set().union(*ALLOWED.values()) == set(Detail)
