"""What reduces the indigo in each kind of vat, and how fast: numbers only.

Stoichiometry is arithmetic on the reactions named beside it. Rates, half saturations and decay are assumptions of the
rehearsal, chosen so that a vat behaves as dyers describe it ("common practice, no source"); no source was at hand.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ferment:
    """Growth limits of the bacteria of a fermentation vat (cardinal temperatures in °C and pH)."""

    t_min_c: float
    t_best_c: float
    t_max_c: float
    ph_min: float
    ph_best: float
    ph_max: float


@dataclass(frozen=True, slots=True)
class Reductant:
    """One reducing agent.

    `rate_per_s` is the first-order rate of reducing indigo at 25 °C with plenty of reductant; it falls to half when
    the pH is at `ph_half` or the reductant at `half_saturation_mol_l`. `pull_mv` is how far below the half-reduced
    potential the agent alone would hold platinum. `only_in_alkali`: what decays and what air takes falls with the pH as the
    reducing does, so that the liquor's own acid ends it before it is sour.
    """

    name: str
    mol_per_indigo: float
    mol_per_o2: float
    acid_per_mol: float
    rate_per_s: float
    rate_q10: float
    ph_half: float
    half_saturation_mol_l: float
    decay_per_s: float
    decay_q10: float
    decay_acid_per_mol: float
    o2_rate_l_mol_s: float
    pull_mv: float
    ferment: Ferment | None = None
    only_in_alkali: bool = False

    def readiness_in_alkali(self, ph: float) -> float:
        """0–1: half at `ph_half`, none in an acid liquor."""
        return float(1.0 / (1.0 + 10.0 ** (self.ph_half - ph)))


_HOUR = 3600.0

# S2O4-- + indigo + 4 OH- -> 2 SO3-- + leuco-- + 2 H2O; with oxygen 1:1 and then 2 NaOH (ECHA registration dossier,
# sodium dithionite). Either way two equivalents of alkali are lost per mol.
DITHIONITE = Reductant("dithionite", 1.0, 1.0, 2.0, 1 / 240.0, 1.9, 7.0, 0.0008, 0.006 / _HOUR, 2.2, 1.0, 40.0, 230.0)
# (NH2)2CSO2 + 2 OH- -> urea + SO2--, which reduces like dithionite's half; sulphite then sulphate with oxygen.
THIOUREA_DIOXIDE = Reductant(
    "thiourea dioxide", 1.0, 1.0, 2.0, 1 / 500.0, 2.3, 9.5, 0.001, 0.03 / _HOUR, 2.5, 2.0, 8.0, 330.0
)
# A reducing sugar gives two electrons and one acid group; hot alkali also breaks it down unused, to more acid. Both, and its
# oxidation by air, begin with its enediolate and so need alkali (textbook mechanism of Lobry de Bruyn and van Ekenstein, from
# memory): a sugar liquor gone neutral keeps.
FRUCTOSE = Reductant(
    "fructose", 1.0, 2.0, 1.0, 1 / 900.0, 2.3, 10.2, 0.0009, 0.08 / _HOUR, 2.6, 1.3, 0.6, 115.0, only_in_alkali=True
)
# Fe(OH)2 gives one electron; the alkali it costs is paid when the sulphate is fed (see substances).
IRON = Reductant("iron", 2.0, 4.0, 0.0, 1 / 2500.0, 1.9, 9.5, 0.003, 0.004 / _HOUR, 1.8, 0.0, 12.0, 120.0)
# Zinc gives two electrons, goes to zincate and ZnO, and is lost to hydrogen on the side.
ZINC = Reductant("zinc", 1.0, 2.0, 0.0, 1 / 2000.0, 2.0, 10.0, 0.004, 0.010 / _HOUR, 2.0, 0.0, 1.0, 220.0)
# What bacteria hold ready: small carriers and hydrogen. Acid from the food is counted where the food is eaten.
# Growth ranges: leaf-ash as Alkalibacterium spp. (IJSEM descriptions, 15–35 °C, pH 9.0–12.3); woad reducers were
# isolated at 47 °C (Padden et al. 1998, Nature); the optima and the rest are assumptions.
LEAF_BACTERIA = Reductant(
    "leaf bacteria", 1.0, 2.0, 0.0, 1 / 5000.0, 1.5, 8.5, 0.0004, 0.05 / _HOUR, 1.5, 0.0, 4.0, 80.0,
    Ferment(12.0, 28.0, 40.0, 8.8, 10.4, 12.3),
)  # fmt: skip
WOAD_BACTERIA = Reductant(
    "woad bacteria", 1.0, 2.0, 0.0, 1 / 7000.0, 1.5, 8.0, 0.0004, 0.05 / _HOUR, 1.4, 0.0, 4.0, 80.0,
    Ferment(25.0, 49.0, 58.0, 7.5, 9.0, 10.8),
)  # fmt: skip
BRAN_BACTERIA = Reductant(
    "bran bacteria", 1.0, 2.0, 0.0, 1 / 5500.0, 1.5, 8.0, 0.0004, 0.05 / _HOUR, 1.5, 0.0, 4.0, 80.0,
    Ferment(15.0, 38.0, 48.0, 7.5, 9.6, 11.4),
)  # fmt: skip

REDUCTANTS = {
    agent.name: agent
    for agent in (DITHIONITE, THIOUREA_DIOXIDE, FRUCTOSE, IRON, ZINC, LEAF_BACTERIA, WOAD_BACTERIA, BRAN_BACTERIA)
}


def readiness(ferment: Ferment, temperature_c: float, ph: float) -> float:
    """How well the bacteria do at a temperature and pH, 0–1.

    Cardinal temperature model with inflection (Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162, 447; form from
    memory) times the cardinal pH model of the same group (1995, Appl. Environ. Microbiol. 61, 610; from memory).
    """
    lo, best, hi = ferment.t_min_c, ferment.t_best_c, ferment.t_max_c
    t = temperature_c
    if not lo < t < hi or not ferment.ph_min < ph < ferment.ph_max:
        return 0.0
    warm = (t - hi) * (t - lo) ** 2
    warm /= (best - lo) * ((best - lo) * (t - best) - (best - hi) * (best + lo - 2.0 * t))
    sour = (ph - ferment.ph_min) * (ph - ferment.ph_max)
    sour /= sour - (ph - ferment.ph_best) ** 2
    return max(0.0, min(1.0, warm)) * max(0.0, min(1.0, sour))
