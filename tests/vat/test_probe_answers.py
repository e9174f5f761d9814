"""What a probe's answers to feeds, stirs and dips teach about its pace, and when it has grown slow."""

from __future__ import annotations

import json
import math
from dataclasses import asdict

from vatwatch.vat.probe_answers import UNPOISED, WATCHED_MINUTES, Answers, answers_from_plain, judged
from vatwatch.vat.probe_signs import Minute, stays_near

FEED, LIME, STIR = "feed soda ash", "feed lime", "stir"


def answer(answers: Answers, deed: str, tau_minutes: float, base: float = -650.0, step: float = -60.0) -> Answers:
    """The answer of a probe that is 63 % there after `tau_minutes`."""
    values = tuple(base + step * (1.0 - math.exp(-minute / tau_minutes)) for minute in range(1, WATCHED_MINUTES + 1))
    return judged(answers, deed, base, values, 6.0, UNPOISED[next(iter(UNPOISED))])


def learnt(*taus: tuple[str, float]) -> Answers:
    answers = Answers()
    for deed, tau in taus:
        answers = answer(answers, deed, tau)
    return answers


PACE = [(FEED, 2.0 + 0.1 * n) for n in range(8)]


def test_four_slow_answers_in_a_row_make_it_slow_and_two_of_the_old_pace_forgive() -> None:
    answers = learnt(*PACE)
    assert answers.recent[-1] is False
    for slow in range(5):
        assert answers.is_slow == (slow >= 4)
        answers = answer(answers, FEED, 12.0)
    for _ in range(2):
        assert not answers.is_quick_again
        answers = answer(answers, FEED, 2.2)
    assert not answers.is_slow
    assert answers.is_quick_again


def test_one_quick_answer_among_slow_ones_is_proof_of_a_clean_probe() -> None:
    """A liquor may be slow to follow one kind of deed; a coated probe is slow at everything."""
    answers = learnt(*PACE, *[(STIR, 2.5)] * 4)
    for _ in range(3):
        for deed, tau in ((STIR, 14.0), (STIR, 15.0), (FEED, 2.3), (STIR, 14.0)):
            answers = answer(answers, deed, tau)
            assert not answers.is_slow


def test_a_feed_seldom_seen_is_held_against_feeds_not_against_slow_stirs() -> None:
    answers = learnt(*PACE, *[(STIR, 14.0 + n) for n in range(4)])
    assert answer(answers, LIME, 12.0).recent[-1] is True
    assert LIME + "/out" not in answer(answers, LIME, 12.0).learnt, "what was slow is not learnt as the usual pace"


def test_a_liquor_whose_reductant_is_gone_says_nothing_about_its_probe() -> None:
    answers = learnt(*PACE)
    for number in range(6):
        after = answer(answers, FEED, 14.0, base=-250.0 + 20.0 * number)
        assert (after.recent, after.learnt) == (answers.recent, answers.learnt)
        answers = after
    assert answer(answers, FEED, 14.0, base=-640.0).recent[-1] is True, "reduced again, it counts again"


def test_what_is_known_goes_through_its_text_form() -> None:
    answers = answer(answer(learnt(*PACE, (STIR, 5.0)), FEED, 12.0), FEED, 4.5)
    assert set(answers.recent) == {True, False}
    assert answers_from_plain(json.loads(json.dumps(asdict(answers)))) == answers
    before = {"learnt": {}, "recent": [True, False]}
    assert answers_from_plain(before) == Answers({}, (True, False), None), "a state kept by an older program"


def minutes(*means: float, span: float = 0.02) -> tuple[Minute, ...]:
    return tuple(Minute(mean, mean - span / 2, mean + span / 2, 6) for mean in means)


def test_a_value_that_only_passes_a_level_does_not_rest_there() -> None:
    assert stays_near(minutes(6.98, 7.0, 6.99), 7.0, 0.35, 0.2, 0.07)
    assert not stays_near(minutes(6.68, 6.74, 6.80), 7.0, 0.35, 0.2, 0.07), "a sour vat that is being limed"
    assert not stays_near(minutes(6.98, 7.0, 6.99, span=0.3), 7.0, 0.35, 0.2, 0.07)
    assert not stays_near(minutes(7.4, 7.4, 7.4), 7.0, 0.35, 0.2, 0.07)
    assert not stays_near(minutes(7.0, 7.0), 7.0, 0.35, 0.2, 0.07)


def test_what_is_neither_slow_nor_quick_says_nothing() -> None:
    answers = learnt(*PACE)
    for _ in range(3):
        answers = answer(answer(answers, FEED, 12.0), FEED, 5.0)
    assert answers.recent[-3:] == (True, True, True)
    assert not answers.is_slow
    assert answer(answers, FEED, 12.0).is_slow


def test_what_hardly_moves_is_no_answer() -> None:
    answers = learnt(*PACE)
    assert answer(answers, FEED, 12.0, step=-5.0).recent == answers.recent
