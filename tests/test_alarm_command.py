"""`vatwatch alarm`: what it lists, what it hands in, what it refuses and how it says so."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from vatwatch.cli import app
from vatwatch.errors import ConfigError
from vatwatch.records import AlarmAction
from vatwatch.store import inbox
from vatwatch.terms import ActionVerb

SETTINGS = """\
[site]
data = "data"
timezone = "Europe/Lisbon"

[vat.tub]
chemistry = "fructose-lime"
warmed = true
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "vatwatch.toml"
    path.write_text(SETTINGS)
    return path


def run(config: Path, *words: str) -> str:
    """What it says; raises what it refuses with."""
    result = CliRunner().invoke(app, ["alarm", *words, "--config", str(config)], catch_exceptions=True)
    if result.exception is not None:
        raise result.exception
    return result.stdout


def handed_in(config: Path) -> list[AlarmAction]:
    found = [entry for _, entry in inbox.collect(config.parent / "data" / "inbox")]
    return [entry for entry in found if isinstance(entry, AlarmAction)]


def test_it_lists_the_alarms(config: Path) -> None:
    assert "overheat (danger)" in run(config, "tub")
    assert run(config, "shed").split() == [
        "calibration-due", "(tell)", "outlet-undelivered", "(tell)", "disk-low", "(act)", "clock-unset", "(tell)",
    ]  # fmt: skip


def test_it_hands_in_what_is_to_be_done(config: Path) -> None:
    assert run(config, "tub", "acknowledge", "overheat").startswith("handed in: acknowledge overheat of tub;")
    assert " until " in run(config, "shed", "shelve", "disk-low", "--for", "90")
    actions = {action.verb: action for action in handed_in(config)}
    assert (actions[ActionVerb.ACKNOWLEDGE].vat, actions[ActionVerb.ACKNOWLEDGE].alarm) == ("tub", "overheat")
    shelve = actions[ActionVerb.SHELVE]
    assert shelve.vat == ""
    assert shelve.until_ms is not None
    assert shelve.until_ms - shelve.time_ms == 90 * 60_000


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("tub", "acknowledge", "too-blue"), "tub has no alarm 'too-blue'; its alarms: cooling, doubtful"),
        (("tub", "acknowledge"), "tub has no alarm ''"),
        (("shed", "acknowledge", "overheat"), "the shed has no alarm 'overheat'; its alarms: calibration-due"),
        (("tub", "out-of-service", "overheat"), "never out of service"),
        (("pond", "acknowledge", "overheat"), "there is no vat 'pond'"),
        (("tub", "acknowledge", "overheat", "--for", "5"), "--for belongs to shelve"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_handed_in(config: Path, words: tuple[str, ...], said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        run(config, *words)
    assert said in str(caught.value)
    assert handed_in(config) == []


def test_no_vat_may_be_called_what_the_shed_is(config: Path) -> None:
    config.write_text(SETTINGS.replace("[vat.tub]", "[vat.shed]"))
    with pytest.raises(ConfigError, match="stands for the shed as a whole"):
        run(config, "shed")
