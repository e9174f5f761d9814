"""A probe that is only suspect: judged all the same, and the dyer reads why, on every way the words take."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console

from tests.vat.vats import MINUTE, SCAN_MS, START, Run, samples
from vatwatch.outlets.homie import scan_values
from vatwatch.page import wording
from vatwatch.page.wording import Freshness
from vatwatch.records import Batch
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terminal import print_now
from vatwatch.terms import Flag
from vatwatch.vat.state import state_from_json, state_to_json

ZONE = ZoneInfo("Europe/Berlin")


def frozen_ph(run: Run, minutes: int) -> None:
    """pH stands still to the last digit; ORP and temperature go on."""
    for number in range(minutes * MINUTE // SCAN_MS):
        run.slot(samples(run.slot_ms + SCAN_MS, 11.04, -700.0 + number % 3, 40.0 + 0.05 * (number % 4)))


def doubted_run() -> Run:
    run = Run()
    for number in range(60 * MINUTE // SCAN_MS):
        run.slot(samples(run.slot_ms + SCAN_MS, 11.0 + 0.01 * (number % 5), -700.0 + number % 3, 40.0))
    frozen_ph(run, 40)
    return run


def test_it_goes_through_the_store_to_terminal_and_page(tmp_path: Path) -> None:
    run = doubted_run()
    stored = tmp_path / "vatwatch.db"
    with StoreWriter.open(stored) as writer:
        version = writer.record_settings(START, "{}", [run.settings.card()])
        for result in run.results:
            writer.append(Batch(result.scan.slot_ms, version, (result,)))
        writer.seal_all()
    with StoreReader(stored) as reader:
        kept = list(reader.scans("plain", 0, 2**62))
        assert repr(kept) == repr([result.scan for result in run.results])
        scan = kept[-1]
        assert scan.ph.value == 11.04
        assert scan.ph.flag is Flag.SUSPECT
        assert scan.ph.reason == run.state.faults.findings[0].sentence
        assert scan.reduction is not None, "suspect is judged"
        assert "suspect" in scan_values("shed", scan).values()
        out = Console(width=100, record=True, file=StringIO())
        print_now(out, reader, scan.slot_ms + 1000, ZONE, 120_000)
        shown = " ".join(out.export_text().replace("│", " ").split())
    assert "doubtful, see below" in shown
    assert f"pH doubtful: {scan.ph.reason}" in shown
    assert "Temperature 40" in shown
    assert "Good to about ±" in shown
    ph, temperature, _ = wording.readings(run.settings.card(), scan, Freshness.FRESH, scan.slot_ms, ZONE)
    assert (ph.withdrawn, ph.doubtful, ph.trust) == (False, True, f"Doubtful: {scan.ph.reason}")
    assert (temperature.doubtful, temperature.trust[:14]) == (False, "Good to about ")


def test_its_words_are_the_same_after_a_restart_in_the_middle() -> None:
    whole, parts = doubted_run(), Run()
    for number, result in enumerate(whole.results):
        if number % 97 == 0:
            parts.state = state_from_json(state_to_json(parts.state))
        parts.slot([replace(sample, flag=Flag.NOT_EVALUATED, reason="") for sample in result.samples])
    assert [r.scan.ph.reason for r in parts.results] == [r.scan.ph.reason for r in whole.results]
