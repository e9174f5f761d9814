"""DEVELOPERS.md lists every label a user sees: an undocumented one fails here."""

from __future__ import annotations

from enum import Enum
from pathlib import Path

import pytest
from typer.main import get_command

from vatwatch import terms
from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.check_solutions import CheckSolution
from vatwatch.chemistry.electrode_health import Fault
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.cli import app
from vatwatch.config import Config
from vatwatch.dyeing.outcomes import RUBBING_GRADES
from vatwatch.dyeing.pieces import Stage
from vatwatch.dyeing.steps import Detail, Part, Step
from vatwatch.terms import Look
from vatwatch.vat import alarm_set, shed_alarms, tiring, window
from vatwatch.vat.probe_fault_names import FaultName
from vatwatch.vat.recipes import Chemistry, Fibre

PAGE = (Path(__file__).resolve().parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
LABELS = PAGE.split("## Every label a user sees")[1].split("\n## ")[0]
WORDS = {
    word.strip(" ,.\n")
    for line in LABELS.replace("\n  ", " ").splitlines()
    for word in line.split(":**")[-1].split("·")
}
WORDS = {word.split(": ")[-1].split(", and")[0].strip() for word in WORDS}

ENUMS: list[type[Enum]] = [
    terms.VatCondition, terms.EntryKind, terms.AlarmState, terms.ActionVerb, terms.Urgency, terms.Signal,
    Look, Alkali, ReferenceElectrode, Chemistry, Fibre, Fault, CheckSolution, Stage, Step, Part, Detail,
    FaultName,
]  # fmt: skip


@pytest.mark.parametrize("enum", ENUMS, ids=lambda e: e.__name__)
def test_every_word_of_an_enumeration_is_listed(enum: type[Enum]) -> None:
    assert {member.value for member in enum} <= WORDS


def test_every_alarm_and_reason_is_listed() -> None:
    reasons = {window.NO_PH, window.NO_ORP, window.NO_TEMPERATURE, window.NO_ESTIMATE, window.SETTLING, window.UNSURE}
    assert set(shed_alarms.DEFINITIONS) <= WORDS
    assert {*tiring.LIMIT_AHEAD, tiring.UNLOGGED, tiring.DOUBTFUL} <= WORDS
    assert {window.OVERHEAT, *window.OFF_LIMITS, *alarm_set.SILENT.values(), *reasons} <= WORDS


def test_every_rubbing_grade_is_listed() -> None:
    assert set(RUBBING_GRADES) <= WORDS


def test_every_command_is_listed() -> None:
    commands = set(getattr(get_command(app), "commands"))  # noqa: B009 - typed as the plain click command
    assert len(commands) >= 6
    assert commands <= WORDS


def test_every_settings_table_is_listed() -> None:
    assert set(Config.model_fields) <= WORDS
