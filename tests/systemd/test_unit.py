"""The service unit as systemd itself reads it: no complaint, a small attack surface, and what the daemon relies on."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.services import find_program
from vatwatch.daemon import STUCK_AFTER_S

ROOM = Path(__file__).parents[2] / "systemd"
UNIT = ROOM / "vatwatch.service"
INTERPRETER = "/opt/vatwatch/bin/python"
HIGHEST_EXPOSURE = 1.6


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with an interpreter that exists here: `verify` complains about a program that is not installed."""
    text = UNIT.read_text(encoding="utf-8")
    assert text.count(INTERPRETER) == 1
    copy = tmp_path / UNIT.name
    copy.write_text(text.replace(INTERPRETER, sys.executable), encoding="utf-8")
    return copy


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    program = find_program("systemd-analyze", "systemd")
    return subprocess.run([program, *arguments], capture_output=True, text=True, timeout=60, check=False)


def test_systemd_has_nothing_to_say_about_it(unit: Path) -> None:
    verified = analyze("verify", "--man=no", str(unit))
    # `verify` exits with 0 even for a key it does not know, so its silence is what counts.
    assert (verified.returncode, verified.stdout, verified.stderr) == (0, "", "")


def test_a_misspelt_key_would_be_seen(unit: Path) -> None:
    unit.write_text(unit.read_text(encoding="utf-8").replace("WatchdogSec=", "WatchdogSeconds="), encoding="utf-8")
    assert "WatchdogSeconds" in analyze("verify", "--man=no", str(unit)).stderr


def test_exposure_is_small(unit: Path) -> None:
    judged = analyze("security", "--offline=true", "--no-pager", str(unit))
    assert judged.returncode == 0, judged.stderr
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", judged.stdout)
    assert found is not None, judged.stdout
    assert float(found.group(1)) <= HIGHEST_EXPOSURE


def settings() -> dict[str, list[str]]:
    """Every key of the unit with its values in order; a key may stand several times."""
    keys: dict[str, list[str]] = {}
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            keys.setdefault(key, []).append(value)
    return keys


def test_it_never_gives_up_and_is_told_when_ready() -> None:
    keys = settings()
    assert {key: keys[key] for key in ("Type", "NotifyAccess", "Restart", "RestartSec", "StartLimitIntervalSec")} == {
        "Type": ["notify"],
        "NotifyAccess": ["main"],
        "Restart": ["always"],
        "RestartSec": ["5"],
        "StartLimitIntervalSec": ["0"],
    }
    (watchdog_s,) = keys["WatchdogSec"]
    # A stuck worker is noticed after STUCK_AFTER_S; pings are due at half the watchdog's time. Both must fit.
    assert STUCK_AFTER_S < int(watchdog_s) <= 60


def test_every_serial_driver_it_may_use_is_allowed_and_loaded_before() -> None:
    keys = settings()
    assert keys["DevicePolicy"] == ["closed"]
    assert keys["DeviceAllow"] == [f"char-{name} rw" for name in ("ttyUSB", "ttyACM", "ttyAMA", "ttyS")]
    for relation in ("Wants", "After"):
        assert {"modprobe@usbserial.service", "modprobe@cdc_acm.service"} <= set(keys[relation][0].split())


def test_it_starts_the_command_that_exists() -> None:
    (command,) = settings()["ExecStart"]
    words = command.split()
    assert words[0] == INTERPRETER
    said = subprocess.run(
        [sys.executable, *words[1:6], "--help"], capture_output=True, text=True, timeout=60, check=False
    )
    assert said.returncode == 0, said.stderr
    assert words[6:] == ["--config", "/etc/vatwatch/vatwatch.toml"]


def test_credentials_named_in_the_example_are_the_ones_the_unit_can_load() -> None:
    offered = set(re.findall(r"^#LoadCredential=([a-z-]+):", UNIT.read_text(encoding="utf-8"), re.MULTILINE))
    example = (ROOM / "vatwatch.example.toml").read_text(encoding="utf-8")
    assert offered == set(re.findall(r"/run/credentials/vatwatch\.service/([a-z-]+)", example))
    assert offered == {"mqtt-password", "influx-token", "phone-url", "page-passphrase", "heartbeat-url"}
