"""Stored settings with changes tried on them, for a back-test: from a second settings file, or key by key.

Changes what the judgement is told, never a file and never the store. Probes, their calibrations and the length of a scan
stay as they were: the samples were taken with them.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vatwatch.assembly import vat_settings_from_text
from vatwatch.config import check_config, load_config
from vatwatch.errors import ConfigError
from vatwatch.store.reading import StoreReader
from vatwatch.vat.settings import VatSettings

EVERY_VAT = "*"


@dataclass(frozen=True, slots=True)
class Change:
    """One key of one vat's table, or of every vat's (`*`), and the value tried."""

    vat: str
    keys: tuple[str, ...]
    value: Any

    def __str__(self) -> str:
        value = json.dumps(self.value) if isinstance(self.value, str | bool) else f"{self.value}"
        return f"vat.{self.vat}.{'.'.join(self.keys)}={value}"


def parse_change(text: str, option: str = "--set") -> Change:
    """`vat.NAME.TABLE.KEY=VALUE`, the value as TOML; a bare word is taken as text. Raises ConfigError otherwise."""
    path, separator, value = text.partition("=")
    names = tuple(name.strip() for name in path.split("."))
    if not separator or len(names) < 3 or names[0] != "vat" or not all(names):
        raise ConfigError(
            f'{option}: given "{text}", expected vat.NAME.KEY=VALUE, such as vat.quince.alarms.warn_ahead_h=4 '
            "(* for NAME means every vat)"
        )
    return Change(names[1], names[2:], _value(value.strip()))


def parse_choices(text: str, option: str = "--try") -> list[Change]:
    """`vat.NAME.KEY=V1,V2,…`: one change for each value."""
    path, separator, values = text.partition("=")
    listed = [value for value in values.split(",") if value.strip()]
    if not separator or not listed:
        raise ConfigError(f'{option}: given "{text}", expected vat.NAME.KEY=V1,V2,… with at least one value')
    return [parse_change(f"{path}={value}", option) for value in listed]


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def tables_of_file(path: Path) -> dict[str, Any]:
    """The vats' tables of a second settings file. Raises ConfigError with every mistake in it."""
    tables: dict[str, Any] = load_config(path).model_dump(mode="json", include={"vat": True})["vat"]
    return tables


def changed_text(stored: str, changes: Sequence[Change], tables: dict[str, Any] | None = None) -> str:
    """Stored settings with the vats' tables of a file in place of their own, then with single keys changed.

    Raises ConfigError when a key is unknown or a value cannot be. A vat the stored text does not hold is passed over.
    """
    whole: dict[str, Any] = json.loads(stored)
    vats: dict[str, Any] = whole["vat"]
    for vat, table in (tables or {}).items():
        if vat in vats:
            vats[vat] = table
    for change in changes:
        for vat in vats if change.vat == EVERY_VAT else [change.vat] if change.vat in vats else []:
            _put(vats[vat], change)
    checked = check_config({"vat": vats}, "the settings tried").model_dump(mode="json", include={"vat": True})
    return json.dumps({**whole, "vat": checked["vat"]}, separators=(",", ":"), ensure_ascii=False)


def _put(table: dict[str, Any], change: Change) -> None:
    for key in change.keys[:-1]:
        table = table.setdefault(key, {})
        if not isinstance(table, dict):
            raise ConfigError(f"{change}: {key} is a value, not a table; expected vat.NAME.TABLE.KEY=VALUE")
    table[change.keys[-1]] = change.value


def refuse_unknown_vats(reader: StoreReader, changes: Sequence[Change], tables: dict[str, Any] | None) -> None:
    """Raises ConfigError when a change names a vat the record does not hold, or a file none that it holds."""
    known = reader.vats()
    for change in changes:
        if change.vat not in (EVERY_VAT, *known):
            raise ConfigError(f"{change}: there is no vat {change.vat!r} in the record; known: {', '.join(known)}")
    if tables is not None and not set(tables) & set(known):
        raise ConfigError(
            f"the second settings file has no vat of the record in it; the record knows {', '.join(known)}, "
            f"the file {', '.join(tables)}"
        )


def settings_by_version(
    reader: StoreReader, changes: Sequence[Change] = (), tables: dict[str, Any] | None = None
) -> Callable[[str], Callable[[int], VatSettings]]:
    """Vat → version → that vat's settings with the changes in them; each version is read and checked once."""
    known: dict[int, dict[str, VatSettings]] = {}

    def of(version: int) -> dict[str, VatSettings]:
        if version not in known:
            text = reader.settings(version)
            if changes or tables:
                text = changed_text(text, changes, tables)
            known[version] = vat_settings_from_text(text)
        return known[version]

    def of_vat(vat: str) -> Callable[[int], VatSettings]:
        def settings(version: int) -> VatSettings:
            try:
                return of(version)[vat]
            except KeyError:
                raise ConfigError(
                    f"settings version {version} of the record has no vat {vat!r}; the record is damaged there"
                ) from None

        return settings

    return of_vat
