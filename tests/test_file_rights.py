"""Settings and secrets that others may write are not read, and each refusal says what mends it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from vatwatch.config import load_config
from vatwatch.errors import ConfigError
from vatwatch.file_rights import readable_by_others, refuse_writable_by_others
from vatwatch.secret_files import read_secret

SETTINGS = '[vat.tub]\nchemistry = "woad"\n'


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "vatwatch.toml"
    path.write_text(SETTINGS, encoding="utf-8")
    path.chmod(0o644)
    return path


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o644, 0o444])
def test_settings_only_their_owner_may_write_are_read(settings: Path, mode: int) -> None:
    settings.chmod(mode)
    assert list(load_config(settings).vat) == ["tub"]


@pytest.mark.parametrize("mode", [0o666, 0o646, 0o777])
def test_settings_everybody_may_write_are_refused_with_what_mends_it(settings: Path, mode: int) -> None:
    settings.chmod(mode)
    with pytest.raises(ConfigError) as refused:
        load_config(settings)
    command = str(refused.value).rsplit(": ", 1)[1]
    assert command == f"chmod go-w {settings}"
    subprocess.run(command.split(), check=True)
    assert list(load_config(settings).vat) == ["tub"]


def test_a_group_that_is_not_the_owners_own_counts_as_others(settings: Path) -> None:
    settings.chmod(0o664)
    refuse_writable_by_others(settings)  # the owner's own group, as many systems give each user one
    if os.getuid() != 0:
        return  # only root can give a file to another group; the tests of this project also run as root
    os.chown(settings, 0, 12345)
    with pytest.raises(ConfigError, match="chmod go-w"):
        refuse_writable_by_others(settings)


def test_a_directory_in_which_everybody_may_swap_files_is_refused(settings: Path) -> None:
    settings.parent.chmod(0o777)
    with pytest.raises(ConfigError, match=f"chmod go-w {settings.parent}"):
        load_config(settings)
    settings.parent.chmod(0o1777)  # sticky, as /tmp is: nobody can move another's file
    assert list(load_config(settings).vat) == ["tub"]


def test_a_secret_is_refused_when_others_may_write_it_and_told_of_when_they_may_read_it(tmp_path: Path) -> None:
    secret = tmp_path / "token"
    secret.write_text("hush\n", encoding="utf-8")
    secret.chmod(0o662)
    with pytest.raises(ConfigError, match=f"chmod go-w {secret}"):
        read_secret(secret, str(tmp_path / "vatwatch.toml"), "influx", "token_file")
    secret.chmod(0o644)
    assert read_secret(secret, str(tmp_path / "vatwatch.toml"), "influx", "token_file") == "hush"
    assert readable_by_others(secret).endswith(f"chmod 600 {secret}")
    for mode in (0o600, 0o440):  # the second is how a service manager's credential looks
        secret.chmod(mode)
        assert readable_by_others(secret) == ""


def test_check_and_run_tell_of_a_secret_everybody_can_read(settings: Path) -> None:
    token = settings.with_name("token")
    token.write_text("hush\n", encoding="utf-8")
    token.chmod(0o644)
    settings.write_text(
        SETTINGS + '[influx]\nurl = "http://127.0.0.1:9"\norg = "o"\nbucket = "b"\ntoken_file = "token"\n', "utf-8"
    )
    checked = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "check", "--config", str(settings)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert f"note  settings: {token} can be read by everybody on this computer" in checked.stdout
    settings.chmod(0o666)
    started = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "run", "--config", str(settings)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert started.returncode == 2
    assert "chmod go-w" in started.stderr
    assert not (settings.parent / "vatwatch-data").exists(), "refused before anything was begun"
