"""Every figure of the review against a season's hidden truth, counted again in plain Python from the truth alone.

Here 2 vats over 10 days, stored through the writer as the daemon does. The long form, 6 vats over 200 days at one scan
in 10 s, takes about a quarter of an hour to store:

    python -m pytest -m long tests/season/test_season_figures.py
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest
from scipy import stats

from tests.season import season_recount as recount
from tests.season.season_store import fill_by_chunks, fill_by_writing
from tests.season.season_truth import DAY_MS, START_MS, Plan, Truth, draw_season
from vatwatch.season.feeding import Trend, Use, sen_slope
from vatwatch.season.figures import ReviewFigures
from vatwatch.season.review import write_review
from vatwatch.season.summary import best_of, summary_of
from vatwatch.store.reading import StoreReader

ZONE = ZoneInfo("Europe/Berlin")
SHORT = Plan(vats=2, days=10, step_ms=60_000, seed=9, busy=4.0)
LONG = Plan()


class Reviewed(NamedTuple):
    truth: Truth
    figures: ReviewFigures
    html: str


@pytest.fixture(
    scope="module", params=[pytest.param(SHORT, id="short"), pytest.param(LONG, id="long", marks=pytest.mark.long)]
)
def reviewed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Reviewed:
    plan: Plan = request.param
    truth = draw_season(plan)
    directory = tmp_path_factory.mktemp("season")
    (fill_by_writing if plan is SHORT else fill_by_chunks)(truth, directory / "store.db")
    out = directory / "review.html"
    with StoreReader(directory / "store.db") as reader:
        written = write_review(reader, out, START_MS, plan.end_ms, ZONE.key)
    return Reviewed(truth, written.figures, out.read_text(encoding="utf-8").split("<script>")[0])


def test_the_season_has_something_of_everything(reviewed: Reviewed) -> None:
    """A truth without excursions, gaps or undone feeds would show nothing."""
    codes = {int(code) for vat in reviewed.truth.vats for code in set(vat.code.tolist())}
    assert {-1, 0, 1, 2, 3, 4, 6, 7, 8} <= codes
    kinds = {entry.kind.value for entry in reviewed.truth.journal}
    assert {"feed", "stir", "dip", "outcome", "undo"} <= kinds
    assert sum(len(vat.events) for vat in reviewed.truth.vats) >= 10


def test_hours_by_condition_limit_month_and_hour_are_exact(reviewed: Reviewed) -> None:
    truth = reviewed.truth
    step_ms = truth.plan.step_ms
    for vat, figures in zip(truth.vats, reviewed.figures.vats, strict=True):
        counted = recount.hours_of(vat, step_ms)
        assert {word: ms for word, ms in figures.times.rows() if ms} == counted["conditions"]
        assert dict(figures.hours.cost_ms) == counted["cost"]
        assert dict(figures.hours.short_ms) == counted["short"]
        assert figures.scans == int((vat.code >= 0).sum())
        months = {month: times.dyeable_ms for month, times in figures.hours.months if times.dyeable_ms}
        assert months == recount.months_dyeable(vat, step_ms, ZONE)
        by_hour = {hour.hour_ms: hour.dyeable_ms for hour in figures.hours.hours if hour.dyeable_ms}
        assert by_hour == recount.dyeable_by_hour(vat, step_ms)
        assert {one.quantity: one.without_ms for one in figures.outages} == {
            quantity: counted["short"].get(f"no-{quantity}", 0) for quantity in ("ph", "orp", "temperature")
        }


def test_curves_and_extremes_are_those_of_the_values(reviewed: Reviewed) -> None:
    """Lowest and highest exactly; means to nine digits, as a sum may be taken in another order."""
    truth = reviewed.truth
    names = {
        "reduction_share": "share", "reduction_margin_mv": "margin_mv", "ph": "ph", "ph_25c": "ph_25c",
        "temperature_c": "temperature_c",
    }  # fmt: skip
    for vat, figures in zip(truth.vats, reviewed.figures.vats, strict=True):
        expected = recount.extremes_of(vat)
        for one in figures.extremes:
            low, mean, high = expected[one.quantity]
            assert (one.low, one.high) == (low, high)
            assert one.mean == pytest.approx(mean, rel=1e-9)
        if truth.plan.days < 100:
            continue
        for name, column in names.items():
            points = recount.curve_of(vat, column, 7)
            # The span ends a millisecond after its last slot, so that 4801 hours are shared out over 800 parts.
            assert [(p.low, p.high, p.count) for p in figures.curves[name]][:-1] == [
                (p[0], p[2], p[3]) for p in points
            ][:-1]
            assert [p.mean for p in figures.curves[name]][:-1] == pytest.approx([p[1] for p in points][:-1], rel=1e-9)


def test_excursions_and_what_people_did(reviewed: Reviewed) -> None:
    for vat, figures in zip(reviewed.truth.vats, reviewed.figures.vats, strict=True):
        expected = recount.excursions_of(reviewed.truth, vat)
        found = [
            {
                "alarm": one.episode.alarm,
                "raised": one.episode.raised_ms,
                "acknowledged": one.episode.acknowledged_ms,
                "over": one.episode.normal_ms,
                "notice": one.notice_ms,
                "act": one.act_ms,
                "recover": one.recover_ms,
                "before": one.before,
                "farthest": one.episode.farthest,
            }
            for one in figures.excursions
        ]
        key = ("raised", "alarm")
        assert sorted(found, key=lambda o: [str(o[k]) for k in key]) == sorted(
            expected, key=lambda o: [str(o[k]) for k in key]
        )
        for summary in figures.excursion_summaries:
            mine = [one for one in expected if one["alarm"] == summary.alarm]
            assert summary.count == len(mine)
            assert summary.total_ms == sum(int(str(one["recover"])) for one in mine if one["recover"] is not None)
            for name, value in (
                ("notice", summary.notice_ms),
                ("act", summary.act_ms),
                ("recover", summary.recover_ms),
            ):
                known = [int(str(one[name])) for one in mine if one[name] is not None]
                assert value == (median(known) if known else None)


def test_alarm_measures(reviewed: Reviewed) -> None:
    truth = reviewed.truth
    everything = []
    for vat, figures in zip(truth.vats, reviewed.figures.vats, strict=True):
        mine = recount.excursions_of(truth, vat)
        everything += [{**one, "vat": vat.vat} for one in mine]
        _same_measures(figures.alarms, recount.alarm_figures(mine, truth.plan.days))
    _same_measures(reviewed.figures.alarms, recount.alarm_figures(everything, truth.plan.days))


def _same_measures(found: object, expected: dict[str, float]) -> None:
    for name, value in expected.items():
        assert getattr(found, name) == pytest.approx(value, rel=1e-12), name


def test_feeds_responses_use_and_pieces(reviewed: Reviewed) -> None:
    """Changes to a millionth of their unit (two sums in another order), all else exactly."""
    truth = reviewed.truth
    for vat, figures in zip(truth.vats, reviewed.figures.vats, strict=True):
        expected = recount.responses_of(truth, vat)
        assert [(one.time_ms, one.what, one.grams) for one in figures.responses] == [one[:3] for one in expected]
        assert sum(one[3] is not None for one in expected) >= 3
        _close([one.margin_mv for one in figures.responses], [one[3] for one in expected])
        _close([one.ph_25c for one in figures.responses], [one[4] for one in expected])
        medians = recount.medians(expected)
        for feed in figures.feeds:
            margin, ph = medians[feed.what]
            _close([feed.margin_mv_per_g, feed.ph_per_g], [margin, ph])
            mine = [(one[0], one[3] / one[2]) for one in expected if one[1] == feed.what and one[3] is not None]
            if len(mine) >= 6:
                assert feed.margin_trend is not None
                theil = stats.theilslopes([y for _, y in mine], [x / (30 * DAY_MS) for x, _ in mine], 0.9)
                assert feed.margin_trend.slope == pytest.approx(theil.slope, abs=1e-6)
                assert feed.margin_trend.low == pytest.approx(theil.low_slope, abs=1e-6)
                assert feed.margin_trend.high == pytest.approx(theil.high_slope, abs=1e-6)
        use = recount.use_of(truth, vat.vat, ZONE)
        assert {one.month for one in figures.use} == set(use)
        for one in figures.use:
            grams = dict(one.grams)
            expect = use[one.month]
            assert grams.get(Use.REDUCTANT, 0.0) == expect["reductant"]
            assert grams.get(Use.ALKALI, 0.0) == expect["alkali"]
            assert (one.dyed_g, one.pieces, one.weighed) == (expect["dyed"], expect["pieces"], expect["weighed"])
            if expect["dyed"]:
                assert one.per_kg(Use.REDUCTANT) == pytest.approx(expect["reductant"] / expect["dyed"] * 1000)
        pieces = recount.pieces_of(truth, vat.vat).values()
        dyeing = figures.dyeing
        assert (dyeing.pieces, dyeing.dips, dyeing.despite, dyeing.judged) == (
            len(pieces),
            sum(int(str(piece["dips"])) for piece in pieces),
            sum(int(str(piece["despite"])) for piece in pieces),
            sum(bool(piece["judged"]) for piece in pieces),
        )
        assert dyeing.liquor_min == pytest.approx(sum(float(str(piece["minutes"])) for piece in pieces))


def _close(found: Sequence[float | None], expected: Sequence[float | None]) -> None:
    assert [value is None for value in found] == [value is None for value in expected]
    assert [v for v in found if v is not None] == pytest.approx([v for v in expected if v is not None], abs=1e-6)


def test_calibrations_and_limits_of_their_day(reviewed: Reviewed) -> None:
    truth = reviewed.truth
    for vat, figures in zip(truth.vats, reviewed.figures.vats, strict=True):
        mine = [one for one in truth.calibrations if one.vat == vat.vat]
        [probe] = figures.calibrations
        accepted = [one for one in mine if one.accepted]
        assert (len(probe.made), probe.refused) == (len(mine), len(mine) - len(accepted))
        assert (probe.slope_share, probe.offset) == (accepted[-1].slope_share, accepted[-1].offset)
        if len(accepted) > 1:
            first, last = accepted[0], accepted[-1]
            assert first.offset is not None
            assert last.offset is not None
            days = (last.time_ms - first.time_ms) / DAY_MS
            assert probe.drift_per_30d == pytest.approx((last.offset - first.offset) / days * 30)
        given = [(since, card) for since, cards in truth.cards for card in cards if card.vat == vat.vat]
        expected = given if given[0][1] != given[1][1] else given[:1]
        assert list(figures.limits) == expected


def test_the_words_name_the_vat_that_was_dyeable_longest(reviewed: Reviewed) -> None:
    truth = reviewed.truth
    hours = {vat.vat: recount.hours_of(vat, truth.plan.step_ms)["conditions"].get("dyeable", 0) for vat in truth.vats}
    best = max(hours, key=lambda vat: hours[vat])
    named = best_of(reviewed.figures.vats)
    assert named is not None
    assert named.vat == best
    first = summary_of(reviewed.figures)[0]
    assert first.startswith(f"{named.name} was the best vat")
    assert f"{hours[best] / 3_600_000:,.0f} h".replace(",", "\u202f") in first
    assert first.split(" Why:")[0] in reviewed.html.replace("&#39;", "'").replace("\u00a0", " ")


def test_the_page_prints_the_hours_it_was_given(reviewed: Reviewed) -> None:
    """The table of hours, read back from the page, to a tenth of an hour."""
    rows = re.findall(r'<th scope="row">([^<]*)</th>\s*<td class="barcell">.*?</td>\s*(.*?)</tr>', reviewed.html, re.S)
    assert len(rows) == truth_vats(reviewed)
    for vat, (_, cells) in zip(reviewed.truth.vats, rows, strict=True):
        printed = re.findall(r'<td class="n">([\d.]+) h', cells)
        counted = recount.hours_of(vat, reviewed.truth.plan.step_ms)["conditions"]
        order = ("dyeable", "settling", "off", "too hot", "unknown", "not recorded")
        assert printed == [f"{counted.get(word, 0) / 3_600_000:.1f}" for word in order]


def truth_vats(reviewed: Reviewed) -> int:
    return len(reviewed.truth.vats)


def test_sens_slope_is_scipys() -> None:
    """The worked example of `scipy.stats.theilslopes`' own kind: slope 4, 95 % interval 3.714 to 4.375."""
    x, y = (1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78)
    found = sen_slope(list(zip(map(float, x), map(float, y), strict=True)), 0.95)
    reference = stats.theilslopes(y, x, 0.95)
    assert (found.slope, found.low, found.high) == pytest.approx(tuple(reference)[:1] + tuple(reference)[2:])
    assert found.slope == pytest.approx(4.0)
    with pytest.raises(ValueError, match="differ"):
        sen_slope([(1.0, 2.0), (1.0, 3.0)], 0.9)
    assert isinstance(found, Trend)
