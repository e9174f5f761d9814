"""PHREEQC 3 (D. L. Parkhurst, C. A. J. Appelo, USGS Techniques and Methods 6-A43, 2013) run live through phreeqpython.

It knows nothing of the code under test but the record `Liquor`: mol of sodium, potassium, lime and carbon per kg water.
"""

from __future__ import annotations

import math

from phreeqpython import PhreeqPython

from vatwatch.chemistry.liquor import Liquor

_PUNCH = """SELECTED_OUTPUT 1
-reset false
-high_precision true
USER_PUNCH 1
-headings ph chloride
-start
10 PUNCH -LA("H+"), LA("Cl-")
-end
"""

# Bicarbonate with sodium and potassium as in C. E. Harvie, N. Møller, J. H. Weare, Geochim. Cosmochim. Acta 48, 723
# (1984), Table 1; temperature derivatives of L. N. Plummer et al., USGS WRI 88-4153 (1988). pitzer.dat of PHREEQC 3
# carries other figures, refitted to calcite, with which the NIST carbonate buffer comes out 0.08 too low.
HMW_BICARBONATE = """PITZER
-B0
 HCO3- Na+ 0.0277 0 0 1.00e-3
-B1
 HCO3- Na+ 0.0411 0 0 1.10e-3
 HCO3- K+ -0.013 0 0 1.104e-3
-B2
 HCO3- Na+ 0 0 0 0
SOLUTION 1
END
"""


class Phreeqc:
    """One PHREEQC instance with pitzer.dat, and whatever input comes on top of it."""

    def __init__(self, extra_input: str = "") -> None:
        self._engine = PhreeqPython(database="pitzer.dat").ip
        if extra_input:
            self._engine.run_string(extra_input)

    def _last(self, text: str) -> list[float]:
        self._engine.run_string(text)
        rows = self._engine.get_selected_output_array()
        return [float(value) for value in rows[-1]]

    def ph(self, liquor: Liquor, temperature_c: float) -> float:
        """PH after everything has reacted, with calcite and portlandite allowed to form where there is lime."""
        solids = "EQUILIBRIUM_PHASES 1\nCalcite 0 0\nPortlandite 0 0\n" if liquor.lime else ""
        return self._last(
            f"{_PUNCH}SOLUTION 1\ntemp {temperature_c}\npH 7\nunits mol/kgw\nREACTION 1\n"
            f"NaOH {liquor.sodium:.12g}\nKOH {liquor.potassium:.12g}\nCO2 {liquor.carbon:.12g}\n"
            f"Ca(OH)2 {liquor.lime:.12g}\n1 mol\nREACTION_TEMPERATURE 1\n{temperature_c}\n{solids}END\n"
        )[0]

    def ln_chloride_activity(self, kcl_mol_kg: float, temperature_c: float) -> float:
        """Ln of the activity of chloride in a KCl solution."""
        kcl = f"K {kcl_mol_kg}\nCl {kcl_mol_kg}\n"
        row = self._last(f"{_PUNCH}SOLUTION 1\ntemp {temperature_c}\nunits mol/kgw\n{kcl}END\n")
        return math.log(10.0) * row[1]
