"""Prints, at the end of a run, what was checked against references and how far each table was off."""

from __future__ import annotations

import pytest

from tests.chemistry.phreeqc_oracle import HMW_BICARBONATE, Phreeqc


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    found: list[tuple[str, int, float, float]] = []
    for report in terminalreporter.stats.get("passed", []) + terminalreporter.stats.get("failed", []):
        for name, value in getattr(report, "user_properties", ()):
            if name == "reference":
                table, count, largest, tolerance = value
                found.append((str(table), int(count), float(largest), float(tolerance)))
    if not found:
        return
    terminalreporter.section("reference values")
    terminalreporter.write_line(f"{'table':<52}{'values':>7}{'largest deviation':>20}{'tolerance':>12}")
    for table, count, largest, tolerance in sorted(found):
        terminalreporter.write_line(f"{table:<52}{count:>7}{largest:>20.5f}{tolerance:>12g}")
    terminalreporter.write_line(f"{'all':<52}{sum(row[1] for row in found):>7}")


@pytest.fixture(scope="session")
def pitzer_dat() -> Phreeqc:
    """PHREEQC with its own pitzer.dat."""
    return Phreeqc()


@pytest.fixture(scope="session")
def hmw_bicarbonate() -> Phreeqc:
    """PHREEQC with pitzer.dat and the bicarbonate figures of Harvie, Møller and Weare (1984)."""
    return Phreeqc(HMW_BICARBONATE)
