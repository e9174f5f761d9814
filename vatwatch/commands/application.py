"""The application that the commands hang on, its two consoles, and what several commands ask for or say alike."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from typer.core import TyperGroup

ORDER = (
    "demo", "setup", "run", "check", "ports", "calibrate", "now", "note", "alarm", "review", "export", "import", "rubbing",
    "backtest", "backup", "restore", "passphrase", "address",
)  # fmt: skip
"""The commands as `--help` lists them: in the order a vat's first day needs them. One not named here comes last."""


class _InOrder(TyperGroup):
    def list_commands(self, ctx: Any) -> list[str]:
        named = super().list_commands(ctx)
        return sorted(named, key=lambda name: ORDER.index(name) if name in ORDER else len(ORDER))


app = typer.Typer(
    cls=_InOrder,
    help="Watches indigo vats day and night. It switches nothing on or off and is not a safety device.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

ConfigOption = Annotated[Path, typer.Option("--config", "-c", envvar="VATWATCH_CONFIG", help="the settings file")]
DEFAULT_CONFIG = Path("vatwatch.toml")


def user() -> str:
    """Who types, for the journal's "by"; empty where the machine does not say."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


def utc(slot_ms: int | None) -> str:
    if slot_ms is None:
        return "the beginning (it holds no scan)"
    return datetime.fromtimestamp(slot_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
