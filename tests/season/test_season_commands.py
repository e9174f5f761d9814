"""`vatwatch backtest` and `vatwatch rubbing` as a dyer calls them, on real stores."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.season.dyers import CARD, simulated_dyer
from tests.season.recorded import record, settings_file
from vatwatch.config import check_config
from vatwatch.records import Batch, StepResult
from vatwatch.store.writing import StoreWriter


def run(config: Path, *command: str, code: int = 0) -> str:
    """One command to its end; returns what it said on both streams, with its lines unfolded."""
    said = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", *command, "--config", str(config)],
        capture_output=True, text=True, timeout=300, check=False, env={"COLUMNS": "200", "PATH": ""},
    )  # fmt: skip
    assert said.returncode == code, said.stdout + said.stderr
    return said.stdout + said.stderr


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("shed")
    config = settings_file(directory, vats=1, scan_s=300)
    record(directory / "record" / "vatwatch.db", vats=1, days=2.4, scan_s=300)
    return config


def test_unchanged(shed: Path) -> None:
    said = run(shed, "backtest")
    assert "slots replayed unchanged; every scan, flag, alarm and message is the one recorded" in said
    assert "× real time" in said
    assert "missed" in said


def test_with_another_setting(shed: Path) -> None:
    said = run(shed, "backtest", "--set", "vat.*.alarms.off_after_min=60", "--vat", "vat0", "--days", "3")
    assert "with the change" in said
    assert "Messages that differ:" in said
    assert "later" in said


def test_with_a_second_settings_file(shed: Path) -> None:
    other = shed.with_name("other.toml")
    text = shed.read_text(encoding="utf-8")
    higher = re.sub(r'"ph_low" = ([0-9.]+)', lambda found: f'"ph_low" = {float(found[1]) + 0.2:.2f}', text)
    assert higher != text, "the settings as they were written must hold the limit"
    other.write_text(higher, encoding="utf-8")
    said = run(shed, "backtest", "--with", str(other))
    assert "by the changed limits" in said


def test_a_search(shed: Path) -> None:
    said = run(shed, "backtest", "--search", "--try", "vat.*.alarms.off_after_min=5,60")
    assert "Too few excursions to choose by" in said
    assert "off_after_min=60" in said
    assert "as it was" in said


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["--set", "vat.vat0.alarms.warn_ahed_h=4"], 2, "did you mean warn_ahead_h"),
        (["--set", "warn=4"], 2, "expected vat.NAME.KEY=VALUE"),
        (["--set", "vat.green.alarms.warn_ahead_h=4"], 2, "known: vat0"),
        (["--vat", "green"], 1, "known: vat0"),
        (["--search", "--set", "vat.vat0.alarms.warn_ahead_h=4"], 1, "without --set"),
        (["--search", "--try", "vat.*.alarms.warn_ahead_h=" + ",".join("1" * 65)], 1, "at most 64"),
    ],
)
def test_mistakes_are_told(shed: Path, arguments: Sequence[str], code: int, told: str) -> None:
    assert told in run(shed, "backtest", *arguments, code=code)


def test_rubbing_prints_settings_to_paste_and_writes_none(tmp_path: Path) -> None:
    config = tmp_path / "vatwatch.toml"
    config.write_text('[site]\ndata = "record"\n[vat.tub]\nchemistry = "woad"\nname = "Tub"\n', encoding="utf-8")
    before = config.read_bytes()
    dyer = simulated_dyer(3, 90)
    steps = [StepResult(scan) for _, scan in sorted(dyer.scans.items())]
    with StoreWriter.open(tmp_path / "record" / "vatwatch.db") as writer:
        version = writer.record_settings(steps[0].scan.slot_ms, "{}", [CARD])
        writer.append(Batch(steps[0].scan.slot_ms, version, journal=tuple(dyer.journal)))
        for place in range(0, len(steps), 60):
            some = tuple(steps[place : place + 60])
            writer.append(Batch(some[-1].scan.slot_ms, version, some))
    said = run(config, "rubbing")
    assert config.read_bytes() == before
    assert "Tub, wet rubbing: 90 pieces judged" in said
    assert "Tub, dry rubbing: 0 pieces judged" in said
    assert "Not enough pieces yet: 0 judged" in said
    assert "90 % interval" in said
    lines = said.splitlines()
    place = next(place for place, line in enumerate(lines) if line.strip() == "[vat.tub.window]")
    pasted = tomllib.loads("\n".join(line.strip() for line in lines[place : place + 2]))
    pasted["vat"]["tub"]["chemistry"] = "woad"
    assert check_config(pasted, "pasted").vat["tub"].window.model_fields_set
    assert "vatwatch backtest --set vat.tub.window." in said
    assert "expected one of" in run(config, "rubbing", "--wet", "9", code=1)


def test_rubbing_without_a_judged_piece(shed: Path) -> None:
    assert "No piece has been judged yet" in run(shed, "rubbing")
