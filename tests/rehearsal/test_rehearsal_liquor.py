"""The simulated vat: what must balance, what must settle, what must repeat."""

from __future__ import annotations

import ast
import random
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry
from vatwatch.rehearsal import aqueous, liquor
from vatwatch.rehearsal.couple import couple_potential_mv
from vatwatch.rehearsal.liquor import COLOURS, SimulatedVat, draw_vat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.rehearsal.recipes import CHEMISTRIES, UnknownChemistry, default_recipe, draw_recipe
from vatwatch.rehearsal.substances import UnknownSubstance
from vatwatch.terms import EntryKind

HOUR = 3_600_000


def entry(kind: EntryKind, at_ms: int = 0, **more: object) -> JournalEntry:
    return JournalEntry("e", at_ms, at_ms, "v", kind, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_indigo_is_neither_made_nor_lost(chemistry: str) -> None:
    vat = SimulatedVat(replace(default_recipe(chemistry), lid_open=True))
    before = vat.mixture.total_indigo
    vat.apply(entry(EntryKind.STIR, HOUR))
    vat.befall(5 * HOUR, Mishap.REDUCTANT_GONE)
    vat.advance(24 * HOUR)
    assert vat.mixture.total_indigo == pytest.approx(before, rel=1e-12)


def test_oxygen_turns_two_leuco_each_and_nothing_is_left_over() -> None:
    """2 leuco-indigo + O2 -> 2 indigo + 2 H2O (arithmetic on the textbook equation)."""
    vat = SimulatedVat(replace(default_recipe("fructose-lime"), reductant_mol_l=0.0, lid_open=True))
    before = vat.mixture.leuco
    vat.advance(12 * HOUR)
    m = vat.mixture
    assert before - m.leuco == pytest.approx(2.0 * m.oxygen_to_leuco, rel=1e-9)
    assert m.oxygen_taken_up == pytest.approx(m.oxygen_to_leuco + m.oxygen_to_reductant + m.oxygen, rel=1e-9)
    assert before - m.leuco > 1e-4


def test_dithionite_is_eaten_one_to_one_with_two_caustic() -> None:
    """5.44 g of dithionite and 2.50 g of NaOH per g of O2 (ECHA registration dossier: 1:1, then 2 NaOH)."""
    agent = replace(default_recipe("hydrosulfite").reductant, decay_per_s=0.0)
    recipe = replace(default_recipe("hydrosulfite"), reductant=agent, indigo_g_l=0.0, lid_open=True)
    vat = SimulatedVat(recipe)
    reductant, alkali = vat.mixture.reductant, vat.mixture.alkalinity
    vat.advance(24 * HOUR)
    eaten_g = vat.mixture.oxygen_to_reductant * aqueous.MOLAR_MASS_O2
    assert eaten_g > 0.01
    assert (reductant - vat.mixture.reductant) * 174.11 / eaten_g == pytest.approx(5.44, rel=0.01)
    assert (alkali - vat.mixture.alkalinity) * 40.0 / eaten_g == pytest.approx(2.50, rel=0.01)


def test_vatting_takes_the_textbook_amounts() -> None:
    """0.664 kg of dithionite and 0.610 kg of NaOH per kg of indigo, two NaOH of four staying with the leuco."""
    agent = replace(default_recipe("hydrosulfite").reductant, decay_per_s=0.0)
    recipe = replace(
        default_recipe("hydrosulfite"), reductant=agent, start_share=0.0, surface_renewal_m_s=1e-12, start_ph=12.5,
        carbonate_mol_l=0.0, weak_acid_mol_l=0.0,
    )  # fmt: skip
    vat = SimulatedVat(recipe)
    before = vat.mixture.reductant, vat.mixture.alkalinity
    vat.advance(6 * HOUR)
    m = vat.mixture
    indigo_g = m.leuco * 262.27
    assert m.leuco_share > 0.999
    assert (before[0] - m.reductant) * 174.11 / indigo_g == pytest.approx(0.664, rel=0.005)
    assert ((before[1] - m.alkalinity) + 2.0 * m.leuco) * 40.0 / indigo_g == pytest.approx(0.610, rel=0.005)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_charge_balances_at_all_times(chemistry: str) -> None:
    vat = draw_vat(3, chemistry)
    for hour in range(1, 49, 6):
        vat.advance(hour * HOUR)
        m = vat.mixture
        charge, _ = m._charge(m.ph)
        assert charge == pytest.approx(m.alkalinity, rel=1e-4, abs=1e-7)


def test_heater_without_thermostat_settles_where_loss_equals_power() -> None:
    recipe = replace(default_recipe("iron-lime"), heater_w=30.0, room_swing_c=0.0, heat_loss_w_per_k=2.0, volume_l=10.0)
    vat = SimulatedVat(recipe)
    vat.befall(0, Mishap.HEATER_STUCK_ON)
    vat.advance(100 * HOUR)
    assert vat.truth().temperature_c == pytest.approx(recipe.room_mean_c + 15.0, abs=1.2)


def test_thermostat_holds_and_its_faults_show() -> None:
    vat = SimulatedVat(default_recipe("hydrosulfite"))
    held = []
    for minute in range(0, 8 * 60, 5):
        vat.advance(minute * 60_000)
        held.append(vat.truth().temperature_c)
    assert 39.0 < min(held) <= max(held) < 41.0
    vat.befall(8 * HOUR, Mishap.HEATER_STUCK_ON)
    vat.advance(10 * HOUR)
    assert vat.truth().temperature_c > 50.0
    vat.befall(10 * HOUR, Mishap.HEATER_STUCK_OFF)
    vat.advance(30 * HOUR)
    assert vat.truth().temperature_c < 38.0


def test_cold_snap_and_lid_cool_an_unheated_vat() -> None:
    def after_a_day(*mishaps: Mishap) -> float:
        vat = SimulatedVat(default_recipe("fructose-lime"))
        for mishap in mishaps:
            vat.befall(HOUR, mishap)
        vat.advance(24 * HOUR)
        return vat.truth().temperature_c

    assert after_a_day(Mishap.COLD_SNAP) < after_a_day() - 2.0
    assert after_a_day(Mishap.LID_OFF) < after_a_day() - 1.0


def test_lime_vat_under_air_holds_and_then_falls_off_its_cliff() -> None:
    recipe = replace(
        default_recipe("zinc-lime"), lime_solid_g_l=0.3, lid_open=True, surface_m2=0.05, volume_l=20.0,
        weak_acid_mol_l=0.0, indigo_g_l=0.0, salt_mol_l=0.0, room_swing_c=0.0,
    )  # fmt: skip
    vat = SimulatedVat(recipe, step_ms=60_000)
    by_day = []
    for day in range(60):
        vat.advance(day * 24 * HOUR)
        by_day.append(vat.truth().ph)
    falls = [a - b for a, b in pairwise(by_day)]
    assert max(by_day[:5]) - min(by_day[:5]) < 0.3
    assert max(falls) > 3.0 * sum(falls[:8]) / 8.0
    assert by_day[-1] < 10.0


def test_alkali_feeds_raise_the_ph_as_published() -> None:
    """Water with 5 g/kg of soda is at 11.23, with 1 g/kg of caustic at 12.33 (PHREEQC 3, pitzer.dat, 25 °C)."""
    bare = replace(
        default_recipe("hydrosulfite"), indigo_g_l=0.0, reductant_mol_l=0.0, start_ph=7.0, carbonate_mol_l=0.0,
        weak_acid_mol_l=0.0, salt_mol_l=0.0, setpoint_c=None, start_temperature_c=25.0, room_mean_c=25.0,
        room_swing_c=0.0, volume_l=10.0,
    )  # fmt: skip
    for what, grams, expected in (("soda ash", 50.0, 11.23), ("caustic soda", 10.0, 12.33), ("lime", 100.0, 12.45)):
        vat = SimulatedVat(bare)
        vat.apply(entry(EntryKind.FEED, what=what, grams=grams))
        vat.advance(2 * HOUR)
        assert vat.truth().ph == pytest.approx(expected, abs=0.15), what


def test_warming_a_soda_vat_lowers_its_ph() -> None:
    """A vat of fixed alkali falls 0.4 to 0.75 pH from 25 to 50 °C (PHREEQC 3, pitzer.dat)."""
    cool = replace(default_recipe("hydrosulfite"), start_temperature_c=25.0, setpoint_c=None, start_ph=11.2)
    cool = replace(cool, indigo_g_l=0.0, reductant_mol_l=0.0, carbonate_mol_l=0.047, weak_acid_mol_l=0.0)
    vat = SimulatedVat(cool)
    start = vat.truth().ph
    vat.befall(0, Mishap.HEATER_STUCK_ON)
    while vat.truth().temperature_c < 50.0:
        vat.advance(vat.time_ms + 60_000)
    assert 0.4 < start - vat.truth().ph < 0.75


def test_potential_follows_the_share_until_the_reductant_takes_over() -> None:
    vat = SimulatedVat(replace(default_recipe("hydrosulfite"), start_share=0.3, reductant_mol_l=0.012))
    seen_low = seen_high = False
    for _ in range(360):
        vat.advance(vat.time_ms + 10_000)
        t = vat.truth()
        couple = couple_potential_mv(t.leuco_share, t.ph, t.temperature_c, vat.recipe.e7_offset_mv)
        if t.leuco_share < 0.98:
            seen_low = True
            assert t.eh_mv == pytest.approx(couple, abs=1.0)
        if t.leuco_share > 0.9999:
            seen_high = True
            assert t.eh_mv < couple - 20.0
    assert seen_low
    assert seen_high


def test_stir_brings_air_and_loose_pigment_that_settles() -> None:
    still, stirred = (SimulatedVat(default_recipe("fructose-lime")) for _ in range(2))
    stirred.apply(entry(EntryKind.STIR, HOUR, minutes=3.0))
    for vat in (still, stirred):
        vat.advance(HOUR + 4 * 60_000)
    assert stirred.truth().leuco_share < still.truth().leuco_share
    assert stirred.truth().loose_pigment > 0.8
    stirred.advance(HOUR + 40 * 60_000)
    assert stirred.truth().loose_pigment < 0.05


def test_top_up_dilutes_and_dip_carries_dye_off() -> None:
    vat = SimulatedVat(default_recipe("leaf-ash"))
    before = vat.mixture.total_indigo * vat.mixture.volume_l
    vat.apply(entry(EntryKind.TOP_UP, litres=20.0))
    assert vat.mixture.volume_l == pytest.approx(100.0)
    assert vat.mixture.total_indigo * vat.mixture.volume_l == pytest.approx(before)
    assert vat.truth().temperature_c < 27.0
    vat.apply(entry(EntryKind.DIP, grams=500.0))
    assert vat.mixture.total_indigo * vat.mixture.volume_l < before
    vat.apply(entry(EntryKind.REMADE))
    assert vat.mixture.volume_l == vat.recipe.volume_l


def test_bacteria_die_of_heat_and_live_on_food() -> None:
    warm, hot = (SimulatedVat(default_recipe("leaf-ash")) for _ in range(2))
    hot.befall(0, Mishap.HEATER_STUCK_ON)
    hot.recipe = replace(hot.recipe, heater_w=600.0)
    for vat in (warm, hot):
        vat.advance(24 * HOUR)
    assert warm.mixture.activity > 0.7
    assert hot.mixture.activity < 0.1


def test_each_mishap_does_what_it_says() -> None:
    def vat_after(*mishaps: tuple[Mishap, float | None], chemistry: str = "hydrosulfite") -> SimulatedVat:
        vat = SimulatedVat(default_recipe(chemistry))
        for mishap, amount in mishaps:
            vat.befall(HOUR, mishap, amount)
        vat.advance(4 * HOUR)
        return vat

    sound = vat_after()
    assert vat_after((Mishap.PLUG_PULLED, None)).truth().temperature_c < 39.4
    both = vat_after((Mishap.PLUG_PULLED, None), (Mishap.PLUG_BACK, None))
    assert both.truth() == sound.truth()
    stuck = vat_after((Mishap.HEATER_STUCK_ON, None), (Mishap.HEATER_MENDED, None))
    assert stuck.truth() == sound.truth()
    half = vat_after((Mishap.REDUCTANT_GONE, 0.5)).truth().reductant
    assert half == pytest.approx(0.5 * sound.truth().reductant, rel=0.1)
    assert vat_after((Mishap.REDUCTANT_GONE, None)).truth().reductant == 0.0
    opened = vat_after((Mishap.LID_OFF, None))
    assert opened.mixture.oxygen_taken_up > 2.0 * sound.mixture.oxygen_taken_up
    assert vat_after((Mishap.LID_OFF, None), (Mishap.LID_ON, None)).truth() == sound.truth()
    assert vat_after((Mishap.CO2_CREEP, 0.005)).truth().ph < sound.truth().ph - 0.1
    watered = vat_after((Mishap.WATERED_DOWN, None))
    assert watered.mixture.volume_l == pytest.approx(33.0)
    over = vat_after((Mishap.COLD_SNAP, 5.0), (Mishap.COLD_SNAP_OVER, None), chemistry="fructose-lime")
    assert over.truth() == vat_after(chemistry="fructose-lime").truth()


def test_another_reductant_counts_by_its_reducing_power() -> None:
    """Ferrous iron gives one electron where fructose gives two; copperas also costs two alkali per mol."""
    vat = SimulatedVat(default_recipe("fructose-lime"))
    before = vat.mixture.reductant, vat.mixture.alkalinity
    vat.apply(entry(EntryKind.FEED, what="iron", grams=27.801 / 0.98))
    assert vat.mixture.reductant - before[0] == pytest.approx(0.1 / 40.0 / 2.0)
    assert before[1] - vat.mixture.alkalinity == pytest.approx(2.0 * 0.1 / 40.0)


def test_what_cannot_be_fed_is_said_plainly() -> None:
    vat = SimulatedVat(default_recipe("woad"))
    with pytest.raises(UnknownSubstance, match="glitter"):
        vat.apply(entry(EntryKind.FEED, what="glitter", grams=5.0))
    with pytest.raises(VatwatchError, match="grams"):
        vat.apply(entry(EntryKind.FEED, what="bran"))
    with pytest.raises(VatwatchError, match="litres"):
        vat.apply(entry(EntryKind.TOP_UP))
    with pytest.raises(UnknownChemistry, match="bran-madder"):
        default_recipe("vanilla")


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_same_seed_same_truth_however_time_is_cut(chemistry: str) -> None:
    coarse, fine = draw_vat(11, chemistry), draw_vat(11, chemistry)
    for vat in (coarse, fine):
        vat.apply(entry(EntryKind.STIR, 2 * HOUR + 1234))
    coarse.advance(5 * HOUR)
    rng = random.Random(1)
    now = 0
    while now < 5 * HOUR:
        now = min(now + rng.randrange(1, 200_000), 5 * HOUR)
        fine.advance(now)
    assert coarse.truth() == fine.truth()
    assert draw_recipe(11, chemistry) == draw_recipe(11, chemistry)
    assert draw_recipe(11, chemistry) != draw_recipe(12, chemistry)


def test_dyers_words_follow_the_share() -> None:
    rng = random.Random(5)
    ranks = []
    for share in (0.02, 0.35, 0.65, 0.88, 0.995):
        vat = SimulatedVat(replace(default_recipe("woad"), start_share=share))
        words = [vat.what_a_dyer_sees(rng) for _ in range(200)]
        assert set(words) <= set(COLOURS)
        ranks.append(sum(COLOURS.index(word) for word in words) / len(words))
    assert ranks == sorted(ranks)
    assert ranks[0] < 0.6
    assert ranks[-1] > 3.5


def test_offsets_come_from_the_prior() -> None:
    offsets = [draw_recipe(seed, "woad").e7_offset_mv for seed in range(400)]
    mean = sum(offsets) / 400
    spread = (sum((x - mean) ** 2 for x in offsets) / 399) ** 0.5
    assert abs(mean) < 8.0
    assert 44.0 < spread < 56.0


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_drawn_vats_stay_physical_for_a_week(chemistry: str) -> None:
    for seed in range(4):
        vat = draw_vat(seed, chemistry, step_ms=60_000)
        for hour in range(0, 7 * 24, 8):
            vat.apply(entry(EntryKind.STIR, hour * HOUR))
            vat.advance(hour * HOUR)
            t = vat.truth()
            assert 7.0 < t.ph < 13.5
            assert 5.0 < t.temperature_c < 70.0
            assert 0.0 <= t.leuco_share <= 1.0
            assert t.reductant >= 0.0
            assert 0.0 <= t.oxygen_mg_l < 16.0
            assert -1000.0 < t.eh_mv < 300.0


def test_the_rehearsal_shares_no_equation_with_what_it_checks() -> None:
    room = Path(liquor.__file__).parent
    names = []
    for file in sorted(room.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names += [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, file
                names.append(node.module or "")
    ours = {name for name in names if name.startswith("vatwatch")}
    allowed = ("vatwatch.rehearsal", "vatwatch.records", "vatwatch.terms", "vatwatch.errors")
    assert ours
    assert all(name.startswith(allowed) for name in ours), ours
    assert not {"numpy", "scipy", "serial"} & set(names)


def test_speed_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Prints the figure; times are for the reader, the test only fails when a month is out of all proportion."""
    start = time.process_time()
    SimulatedVat(default_recipe("zinc-lime")).advance(30 * 24 * HOUR)
    took_s = time.process_time() - start
    with capsys.disabled():
        print(f"\n30 days of a lime vat in {took_s:.2f} s ({30 * 86400 / took_s:,.0f} x real time)")
    assert took_s < 60.0
