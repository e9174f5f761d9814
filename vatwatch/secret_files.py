"""Secrets named by the settings file, each in a file of its own: read for whoever needs them, and never shown."""

from __future__ import annotations

from pathlib import Path

from vatwatch.config import Config
from vatwatch.errors import ConfigError
from vatwatch.file_rights import readable_by_others, refuse_writable_by_others


def beside(source: str, path: Path) -> Path:
    """A path of the settings file, which is meant from the file's own directory."""
    return Path(source).resolve().parent / path


def trusted(source: str, path: Path) -> Path:
    """`beside`, for a file that nobody but its owner may write. Raises ConfigError with the command that mends it."""
    path = beside(source, path)
    refuse_writable_by_others(path)
    return path


def read_secret(path: Path | None, source: str, table: str, key: str) -> str | None:
    """The first line of a secret's own file. Raises ConfigError without ever showing what is in it."""
    if path is None:
        return None
    path = trusted(source, path)
    try:
        secret = path.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"{source}, table [{table}], key {key}: {path} cannot be read; expected a text file with the secret in it"
        ) from error
    if not secret or not secret[0].strip():
        raise ConfigError(
            f"{source}, table [{table}], key {key}: {path} is empty; expected the secret in its first line"
        )
    return secret[0].strip()


def secrets_shown(config: Config, source: str) -> list[str]:
    """A sentence for each file of a secret that everybody on this computer can read."""
    files = [
        config.mqtt.password_file if config.mqtt else None,
        config.influx.token_file if config.influx else None,
        *(phone.url_file for phone in config.phone.values()),
        config.heartbeat.url_file if config.heartbeat else None,
        config.page.passphrase_file if config.page.enabled else None,
    ]
    return [said for file in files if file and (said := readable_by_others(beside(source, file)))]
