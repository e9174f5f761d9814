"""Outcomes against the vat's state: intervals that cover what they say, refusals, and the arithmetic against scipy."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import pytest
import scipy.linalg
import scipy.optimize
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.season.dyers import BEGIN_MS, CARD, DAY_MS, Dyer, simulated_dyer
from vatwatch.config import check_config
from vatwatch.dyeing.details import detail_complaints
from vatwatch.dyeing.outcomes import RUBBING_GRADES
from vatwatch.records import Batch, JournalEntry, StepResult
from vatwatch.season import ordinal, outcome_words, outcomes, piece_states, small_matrices
from vatwatch.season.outcome_records import Question, RubbingFinding
from vatwatch.season.outcomes import LEAST_OF_EACH, LEAST_PIECES, OutcomeFindings, outcome_findings
from vatwatch.season.shade import student_95
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind

END_MS = BEGIN_MS + 400 * DAY_MS


def findings(dyer: Dyer, question: Question | None = None) -> OutcomeFindings:
    return outcome_findings(dyer.journal, dyer.scans_of, [CARD], BEGIN_MS - DAY_MS, END_MS, question)


def wet(dyer: Dyer, question: Question | None = None) -> RubbingFinding:
    return next(one for one in findings(dyer, question).rubbing if one.rubbing == "wet")


def covered(seeds: range) -> tuple[int, int, int, int]:
    """(intervals that hold the true limit, intervals, refusals, no limit within what was seen)."""
    hits = intervals = refusals = without = 0
    for seed in seeds:
        dyer = simulated_dyer(seed)
        finding = wet(dyer)
        if finding.refusal:
            refusals += 1
            continue
        proposal = next((one for one in finding.proposals if one.factor == "reduction"), None)
        if proposal is None:
            without += 1
            continue
        pieces = piece_states.judged_pieces(dyer.journal, dyer.scans_of, 0, END_MS).pieces
        truth = dyer.true_limit_mv(pieces, finding.chance)
        intervals += 1
        hits += proposal.state_low <= truth <= proposal.state_high
    return hits, intervals, refusals, without


def test_the_intervals_of_proposed_limits_cover_the_true_ones() -> None:
    """The short form: of 30 intervals that cover 90 %, fewer than 23 do so once in 100 (binomial)."""
    hits, intervals, refusals, without = covered(range(30))
    assert intervals >= 20, f"{refusals} refused, {without} without a limit"
    assert scipy.stats.binom.cdf(hits, intervals, 0.90) > 0.01, f"{hits} of {intervals}"


@pytest.mark.long
def test_two_hundred_dyers() -> None:
    """The long form: on 200 dyers who get a limit, 85 to 95 % of the 90 % intervals hold the true one."""
    hits = intervals = refusals = without = 0
    seed = 10_000
    while intervals < 200:
        more = covered(range(seed, seed + 1))
        hits, intervals, refusals, without = (
            hits + more[0], intervals + more[1], refusals + more[2], without + more[3]
        )  # fmt: skip
        seed += 1
    print(f"\n{hits} of {intervals} intervals hold the true limit; refused {refusals}, no limit {without}")
    assert 0.85 <= hits / intervals <= 0.95


@pytest.mark.parametrize("count", [1, LEAST_PIECES - 1])
def test_too_few_pieces_are_refused(count: int) -> None:
    finding = wet(simulated_dyer(3, count))
    assert finding.refusal.startswith("Not enough pieces yet")
    assert f"{count} judged" in finding.refusal
    assert (finding.effects, finding.proposals, finding.curve) == ((), (), ())
    assert len(finding.points) == count, "what there is can still be drawn"


def test_too_few_that_rubbed_off_are_refused() -> None:
    dyer = simulated_dyer(3, 60)
    bad = [entry for entry in dyer.journal if entry.kind is EntryKind.OUTCOME and _grade(entry) < 3.0]
    assert len(bad) >= LEAST_OF_EACH
    spared = {entry.entry_id for entry in bad[LEAST_OF_EACH - 1 :]}
    dyer.journal = [_regraded(entry, "4") if entry.entry_id in spared else entry for entry in dyer.journal]
    assert f"{LEAST_OF_EACH - 1} rubbed off" in wet(dyer).refusal


def test_a_vat_that_never_changed_is_refused() -> None:
    dyer = simulated_dyer(3, 60)
    for slot_ms, scan in dyer.scans.items():
        assert scan.reduction is not None
        dyer.scans[slot_ms] = replace(scan, reduction=replace(scan.reduction, margin_mv=40.0))
    assert "nearly the same" in wet(dyer).refusal


def test_no_limit_is_made_of_chance() -> None:
    """Grades dealt out at random: few dyers are told that their reduction made the difference."""
    proposed = 0
    for seed in range(12):
        dyer = simulated_dyer(500 + seed, 50)
        dealt = [_grade_text(entry) for entry in dyer.journal if entry.kind is EntryKind.OUTCOME]
        random.Random(seed).shuffle(dealt)
        grades = iter(dealt)
        dyer.journal = [
            _regraded(entry, next(grades)) if entry.kind is EntryKind.OUTCOME else entry for entry in dyer.journal
        ]
        proposed += any(one.factor == "reduction" for one in wet(dyer).proposals)
    assert proposed <= 2


def test_what_cannot_be_used_is_counted_with_its_reason() -> None:
    dyer = simulated_dyer(3, 8)
    by_name = {f"piece {number}": number for number in range(8)}
    for entry in dyer.journal:
        assert not detail_complaints(entry), "the simulated dyer writes what the journal takes"
    journal = []
    for entry in dyer.journal:
        number = by_name.get(entry.what)
        if number == 0 and entry.kind is EntryKind.DIP:
            continue
        if number == 1 and entry.entry_id == "in-1-0":
            journal.append(replace(entry, entry_id="other", time_ms=entry.time_ms - 60_000, vat="pail", details=()))
        if number == 2 and entry.kind is EntryKind.OUTCOME:
            journal.append(replace(entry, entry_id="again", kind=EntryKind.DIP, time_ms=END_MS - 60_000, details=()))
        if number == 3 and entry.kind is EntryKind.OUTCOME:
            entry = replace(entry, details=(), text="deep")
        journal.append(entry)
    gone = next(entry.time_ms for entry in dyer.journal if entry.entry_id == "in-4-0")
    dyer.scans = {slot: scan for slot, scan in dyer.scans.items() if not gone <= slot < gone + DAY_MS // 2}
    judged = piece_states.judged_pieces(journal, dyer.scans_of, 0, END_MS)
    assert {(why, count) for _, why, count in judged.left_out} == {
        (piece_states.NOT_DIPPED, 1),
        (piece_states.SEVERAL_VATS, 1),
        (piece_states.DIPPED_AGAIN, 1),
        (piece_states.NOT_GRADED, 1),
        (piece_states.STATE_UNKNOWN, 1),
    }
    assert {piece.name for piece in judged.pieces} == {"piece 5", "piece 6", "piece 7"}


def test_a_piece_carries_its_worst_dip_and_its_rest() -> None:
    dyer = simulated_dyer(7, 5)
    for piece in piece_states.judged_pieces(dyer.journal, dyer.scans_of, 0, END_MS).pieces:
        number = piece.name.split()[1]
        dips = [entry for entry in dyer.journal if entry.entry_id.startswith(f"in-{number}-")]
        margins = [
            scan.reduction.margin_mv for entry in dips if (scan := dyer.scans[entry.time_ms]).reduction is not None
        ]
        fed = next(entry.time_ms for entry in dyer.journal if entry.entry_id == f"feed-{number}")
        assert piece.dips == len(dips)
        assert piece.margin_mv == pytest.approx(min(margins))
        assert piece.rested_min == pytest.approx((dips[0].time_ms - fed) / 60_000)
        assert piece.settled is (piece.rested_min >= 30.0)


@pytest.mark.parametrize(
    ("grade", "value"), [("5", 5.0), ("4-5", 4.5), ("1-2", 1.5), ("1", 1.0), ("6", None), ("", None)]
)
def test_grades_as_numbers(grade: str, value: float | None) -> None:
    assert piece_states.grade_value(grade) == value


def test_grades_fall_by_halves() -> None:
    assert [piece_states.grade_value(grade) for grade in RUBBING_GRADES] == [5 - 0.5 * k for k in range(9)]


@pytest.mark.parametrize("question", [{"least_wet": "1"}, {"least_dry": "6"}, {"chance": 0.0}, {"chance": 1.5}])
def test_impossible_questions_are_refused(question: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="expected"):
        Question(**question)  # type: ignore[arg-type]


def test_a_proposed_limit_is_pasted_as_a_setting() -> None:
    """The lines printed are settings that the settings file takes, and the stated limit is the one in them."""
    finding = wet(simulated_dyer(3, 90))
    proposal = next(one for one in finding.proposals if one.factor == "reduction")
    table, line = outcome_words.settings_lines(proposal)
    assert table == "[vat.tub.window]"
    key, value = line.split(" = ")
    config = check_config({"vat": {"tub": {"chemistry": "woad", "window": {key: float(value)}}}}, "pasted")
    assert config.vat["tub"].window.reduction_low == pytest.approx(proposal.value, abs=0.0006)
    share = 1.0 / (1.0 + math.exp(-proposal.state / (8.314462618 * (273.15 + 48.0) / (2 * 96485.33212) * 1000)))
    assert proposal.value == pytest.approx(share, abs=0.002), "RT/2F from CODATA 2018, at the simulated 48 °C"
    assert proposal.low <= proposal.value <= proposal.high
    counted = proposal.beyond + proposal.within, proposal.beyond_bad + proposal.within_bad
    assert counted == (finding.pieces, finding.rubbed_off)
    words = " ".join(outcome_words.rubbing_words(finding, "Tub"))
    assert f"{100 * proposal.value:.0f} %" in words
    assert "90 % interval" in words


def test_the_chance_rises_where_the_reduction_falls() -> None:
    finding = wet(simulated_dyer(3, 90))
    chances = [point.chance for point in finding.curve]
    assert chances == sorted(chances, reverse=True)
    assert all(0.0 <= point.low <= point.chance <= point.high <= 1.0 for point in finding.curve)


def test_longer_in_the_liquor_is_darker() -> None:
    (shade,) = findings(simulated_dyer(3, 60)).shade
    liquor = next(effect for effect in shade.effects if effect.factor == "liquor")
    assert liquor.low <= -1.5 <= liquor.high, "the simulated shade falls 1.5 L* per 10 min"
    assert "Nothing" not in " ".join(outcome_words.shade_words(shade, "Tub"))


def test_the_same_from_a_real_store(tmp_path: Path) -> None:
    """What the store gives back leads to the same findings as what was handed to it."""
    dyer = simulated_dyer(11, 40)
    path = tmp_path / "store.db"
    steps = tuple(StepResult(scan) for _, scan in sorted(dyer.scans.items()))
    with StoreWriter.open(path) as writer:
        version = writer.record_settings(steps[0].scan.slot_ms, "{}", [CARD])
        writer.append(Batch(steps[-1].scan.slot_ms, version, steps, journal=tuple(dyer.journal)))
    with StoreReader(path) as reader:
        stored = outcome_findings(reader.journal(None, 0, END_MS), reader.scans, reader.cards(), BEGIN_MS, END_MS)
    ours = outcome_findings(dyer.journal, dyer.scans_of, [CARD], BEGIN_MS, END_MS)
    assert stored == ours


# --- the arithmetic, against scipy -------------------------------------------------------------------------------------


def test_the_posterior_against_integration_on_a_grid() -> None:
    """One slope, one cut: mean and spread of the draws against brute integration of prior times likelihood."""
    chance = random.Random(5)
    rows = [[chance.gauss(0.0, 0.5)] for _ in range(40)]
    categories = [int(chance.random() < 1.0 / (1.0 + math.exp(-0.5 - 3.0 * row[0]))) for row in rows]
    fit = ordinal.fit_ordinal(rows, categories, 2, 0)

    def log_posterior(cut: float, slope: float) -> float:
        total = scipy.stats.cauchy.logpdf(cut, scale=10.0) + scipy.stats.cauchy.logpdf(slope, scale=2.5)
        for row, category in zip(rows, categories, strict=True):
            below = 1.0 / (1.0 + math.exp(-(cut - slope * row[0])))
            total += math.log(1.0 - below if category else below)
        return float(total)

    cuts, slopes = [-3.0 + 0.06 * k for k in range(81)], [-2.0 + 0.15 * k for k in range(101)]
    grid = {(cut, slope): math.exp(log_posterior(cut, slope) + 22.0) for cut in cuts for slope in slopes}
    total = sum(grid.values())
    for place, drawn in ((0, [cut[0] for cut in fit.cuts]), (1, [slope[0] for slope in fit.slopes])):
        mean = sum(at[place] * weight for at, weight in grid.items()) / total
        spread = math.sqrt(sum((at[place] - mean) ** 2 * weight for at, weight in grid.items()) / total)
        mean_drawn = sum(value * weight for value, weight in zip(drawn, fit.weights, strict=True))
        square = sum((value - mean_drawn) ** 2 * weight for value, weight in zip(drawn, fit.weights, strict=True))
        assert mean_drawn == pytest.approx(mean, abs=0.05 * spread)
        assert math.sqrt(square) == pytest.approx(spread, rel=0.05)
    assert fit.effective > 1_000


@given(st.integers(0, 10_000), st.integers(2, 4), st.integers(1, 3))
@settings(max_examples=15, deadline=None)
def test_the_mode_against_an_optimiser(seed: int, count: int, width: int) -> None:
    """Proportional odds with several cuts: Newton's mode is where scipy's optimiser finds no higher point."""
    chance = random.Random(seed)
    rows = [[chance.gauss(0.0, 0.5) for _ in range(width)] for _ in range(40)]
    categories = [
        min(count - 1, max(0, math.floor(count / 2 + 1.2 * sum(row) + chance.gauss(0.0, 1.0)))) for row in rows
    ]
    posterior = ordinal._Posterior(rows, categories, count, (count - 1) // 2)
    mode, _ = ordinal._mode(posterior)
    found = scipy.optimize.minimize(lambda at: -posterior.log(list(at)), [0.0] * posterior.size, method="BFGS")
    assert posterior.log(mode) >= -found.fun - 1e-6
    numeric = scipy.optimize.approx_fprime([0.3] * posterior.size, lambda at: posterior.log(list(at)), 1e-7)
    assert posterior.gradient([0.3] * posterior.size) == pytest.approx(list(numeric), abs=1e-3)


@given(st.integers(0, 10_000), st.integers(1, 8))
@settings(max_examples=40, deadline=None)
def test_small_matrices(seed: int, size: int) -> None:
    chance = random.Random(seed)
    root = [[chance.gauss(0.0, 1.0) for _ in range(size)] for _ in range(size)]
    matrix = [
        [sum(root[i][k] * root[j][k] for k in range(size)) + (0.5 if i == j else 0.0) for j in range(size)]
        for i in range(size)
    ]
    expected = scipy.linalg.cholesky(matrix, lower=True)
    assert [x for row in small_matrices.cholesky(matrix) for x in row] == pytest.approx(
        list(expected.ravel()), abs=1e-9
    )
    inverted = scipy.linalg.inv(matrix)
    assert [x for row in small_matrices.inverse(matrix) for x in row] == pytest.approx(list(inverted.ravel()), abs=1e-7)


@pytest.mark.parametrize("free", [5, 8, 14, 30, 100])
def test_students_quantile(free: int) -> None:
    assert student_95(free) == pytest.approx(scipy.stats.t.ppf(0.95, free), abs=1e-3)


def _grade_text(entry: JournalEntry) -> str:
    return dict(entry.details)["rubbing_wet"]


def _grade(entry: JournalEntry) -> float:
    return piece_states.grade_value(_grade_text(entry)) or 0.0


def _regraded(entry: JournalEntry, grade: str) -> JournalEntry:
    return replace(entry, details=tuple(sorted({**dict(entry.details), "rubbing_wet": grade}.items())))


def test_the_words_count_themselves() -> None:
    assert outcomes.refused([], 0).startswith("Not enough pieces yet: 0 judged")
