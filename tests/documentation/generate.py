"""Writes the parts of DEVELOPERS.md that the code itself knows: settings, commands, topics, tables, messages of errors.

    python -m tests.documentation.generate          writes them, between their markers
    python -m tests.documentation.generate --look   only says which are stale

The rest of the page is written by hand and left alone.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Iterator
from enum import Enum
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined
from typer.main import get_command

from vatwatch.cli import app
from vatwatch.config import Config
from vatwatch.outlets import homie
from vatwatch.store import schema

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "DEVELOPERS.md"
PACKAGE = ROOT / "vatwatch"


def generated() -> dict[str, str]:
    """Every part by the name in its markers."""
    parts: dict[str, Callable[[], Iterator[str]]] = {
        "settings": settings,
        "commands": commands,
        "topics": topics,
        "record": record,
        "errors": errors,
    }
    return {name: "\n".join(lines()) for name, lines in parts.items()}


def replaced(page: str, parts: dict[str, str]) -> str:
    """The page with each part between its markers."""
    for name, text in parts.items():
        begin, end = f"<!-- {name}: generated -->", f"<!-- {name}: end -->"
        before, mark, rest = page.partition(begin)
        assert mark, f"DEVELOPERS.md lacks {begin}"
        _, mark, after = rest.partition(end)
        assert mark, f"DEVELOPERS.md lacks {end}"
        page = f"{before}{begin}\n{text}\n{end}{after}"
    return page


# --- settings -----------------------------------------------------------------------------------------------------------


def settings() -> Iterator[str]:
    """Each table of the settings file with its keys, from the models."""
    yield from _tables(Config, "")


def _tables(model: type[BaseModel], path: str) -> Iterator[str]:
    keys: list[str] = []
    inner: list[tuple[type[BaseModel], str, bool]] = []
    for key, info in model.model_fields.items():
        table, shape = _table_in(info.annotation)
        if table is None:
            keys.append(f"| `{key}` | {_kind(info)} | {_default(info)} | {_cell(info.description or '')} |")
        else:
            name = f"{path}.{key}".lstrip(".")
            inner.append((table, f"{name}.NAME" if shape == "named" else name, shape == "listed"))
    if keys:
        yield from ("| key | value | if left out | meaning |", "|---|---|---|---|", *keys)
    for table, name, listed in inner:
        heading = f"[[{name}]]" if listed else f"[{name}]"
        yield from ("", f"**`{heading}`** {_first_line(table)}", "")
        yield from _tables(table, name)


def _table_in(annotation: Any) -> tuple[type[BaseModel] | None, str]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, "one"
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (dict, tuple):
        table, _ = _table_in(arguments[1] if origin is dict else arguments[0])
        return table, "named" if origin is dict else "listed"
    if origin in (Union, UnionType):
        for argument in arguments:
            table, shape = _table_in(argument)
            if table is not None:
                return table, shape
    return None, ""


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0]


def _kind(info: FieldInfo) -> str:
    words = _type_words(info.annotation)
    bounds: dict[str, Any] = {}
    for one in (*info.metadata, *_inner_metadata(info.annotation)):
        for inner in getattr(one, "metadata", (one,)):  # a Field inside a named type holds its limits in its own list
            bounds |= {name: getattr(inner, name) for name in ("ge", "gt", "le", "lt") if hasattr(inner, name)}
    low = f"above {bounds['gt']}" if "gt" in bounds else str(bounds.get("ge", ""))
    high = str(bounds.get("le", bounds.get("lt", "")))
    if low and high:
        words += f", {low} to {high}"
    elif low:
        words += f", {low}" if low.startswith("above") else f", at least {low}"
    return _cell(words)


def _inner_metadata(annotation: Any) -> Iterator[Any]:
    yield from getattr(annotation, "__metadata__", ())
    for argument in get_args(annotation):
        if get_origin(annotation) in (Union, UnionType):
            yield from _inner_metadata(argument)


def _type_words(annotation: Any) -> str:
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (Union, UnionType):
        return " or ".join(dict.fromkeys(_type_words(one) for one in arguments if one is not type(None)))
    if origin is Literal:
        return ", ".join(f"`{one}`" if isinstance(one, str) else str(one) for one in arguments)
    if origin is tuple:
        return f"list of {_type_words(arguments[0])}"
    if hasattr(annotation, "__metadata__"):
        return _type_words(annotation.__origin__)
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return ", ".join(f"`{member.value}`" for member in annotation)
    names = {"str": "text", "int": "whole number", "float": "number", "bool": "true or false", "Path": "path"}
    name = getattr(annotation, "__name__", str(annotation))
    return names.get(name, name)


def _default(info: FieldInfo) -> str:
    if info.default is PydanticUndefined:
        return "**needed**" if info.default_factory is None else "–"
    value = info.default
    if value is None or value == ():
        return "–"
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{str(value).encode('unicode_escape').decode()}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


# --- commands -----------------------------------------------------------------------------------------------------------


def commands() -> Iterator[str]:
    """Each command with its arguments and options, from the application."""
    group: Any = get_command(app)
    yield from ("| command | what it does |", "|---|---|")
    for option in group.params:
        yield f"| `{', '.join(option.opts)}` | {_cell(option.help or '')} |"
    for name in group.list_commands(None):
        command = group.commands[name]
        arguments = [p for p in command.params if p.param_type_name == "argument"]
        shown = " ".join([name, *(_metavar(p) for p in arguments)])
        yield f"| **`{shown}`** | {_cell((command.help or '').strip())} |"
        for parameter in arguments:
            yield f"| &emsp;`{(parameter.name or '').upper()}` | {_cell(parameter.help or '')} |"
        for option in command.params:
            if option.param_type_name == "option" and "--help" not in option.opts:
                default = (
                    "" if option.is_flag or option.default in (None, (), "") else f"; {option.default} if left out"
                )
                yield f"| &emsp;`{', '.join(option.opts)}` | {_cell(option.help or '')}{_cell(default)} |"


def _metavar(parameter: Any) -> str:
    name = (parameter.name or "").upper()
    return name if parameter.required else f"[{name}]"


# --- topics -------------------------------------------------------------------------------------------------------------


def topics() -> Iterator[str]:
    """The MQTT tree."""
    root = f"{homie.ROOT}/SITE"
    yield from ("| topic | payload |", "|---|---|")
    yield f"| `{root}/$state` | `init`, `ready`, `disconnected`; `lost` is left behind as the will |"
    yield f"| `{root}/$description` | what follows, as the convention's JSON |"
    yield f"| `{root}/$alert/VAT-ALARM` | text of an alarm that stands; deleted when it is over |"
    yield (
        f"| `{root}/VAT/{homie.ALARM_ACTION}/set`, `{root}/{homie.SHED_NODE}/{homie.ALARM_ACTION}/set` | only with "
        '`take_actions`, not retained: `{"verb": "shelve", "alarm": "off-cold", "minutes": 30, "by": "ida"}` |'
    )
    for prop in homie.PROPERTIES:
        kind = f"{prop.datatype}{', ' + prop.unit if prop.unit else ''}{': ' + prop.format if prop.format else ''}"
        yield f"| `{root}/VAT/{prop.id}` | {_cell(prop.name)} ({_cell(kind)}) |"


# --- record -------------------------------------------------------------------------------------------------------------


def record() -> Iterator[str]:
    """Tables and views of the newest layout, from a store made for the purpose."""
    import sqlite3

    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        schema.migrate(connection)
        made = connection.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%' "
            "ORDER BY type, name"
        ).fetchall()
        yield f"Layout {schema.NEWEST}."
        for kind in ("view", "table"):
            yield from ("", f"| {kind} | columns | what it holds |", "|---|---|---|")
            for found, name, sql in made:
                if found == kind:
                    columns = [row[1] for row in connection.execute(f"PRAGMA table_info({name})")]
                    yield f"| `{name}` | {', '.join(columns)} | {_cell(_comment(sql))} |"
    finally:
        connection.close()


def _comment(sql: str) -> str:
    """The first lines of comment in a statement: what the table is for."""
    lines = [line.strip() for line in sql.splitlines()[1:]]
    said = []
    for line in lines:
        if not line.startswith("--"):
            break
        said.append(line.removeprefix("--").strip())
    return " ".join(said)


# --- errors -------------------------------------------------------------------------------------------------------------

OURS = {
    "VatwatchError", "ConfigError", "ProbeError", "PortError", "RangeError", "StoreError", "StoreFull", "Refused",
    "OutletError", "OutletRetryable", "OutletPermanent", "RowRejected", "BadParameter", "Unanswered", "NoAnswer",
}  # fmt: skip
TYPED = ("config.py", "port_tables.py", "outlet_tables.py", "asking.py", "interview.py", "probe_interview.py",
         "calibration_dialogue.py", "commands/")  # fmt: skip
"""Where a ValueError is worded for the person too: its text becomes the settings' or the question's own message."""


def raised(path: Path) -> Iterator[tuple[str, str]]:
    """(error, message) of every raise of one of our errors in a module, `…` where a value stands."""
    here = str(path.relative_to(PACKAGE))
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Raise) or not isinstance(node.exc, ast.Call):
            continue
        function = node.exc.func
        name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
        worded = name in OURS or (name == "ValueError" and here.startswith(TYPED))
        if worded and node.exc.args:
            message = _template(node.exc.args[0])
            if re.search(r"[A-Za-z]{3}", message):
                yield name, message


def _template(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(str(v.value) if isinstance(v, ast.Constant) else "…" for v in node.values)
    if isinstance(node, ast.BinOp):
        return _template(node.left) + _template(node.right)
    return "…"


def mended(path: Path) -> Iterator[str]:
    """What `vatwatch check` calls to be mended."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding" and len(node.args) == 3:
            what, good, detail = node.args
            message = _template(detail)
            if isinstance(good, ast.Constant) and good.value is False and re.search(r"[A-Za-z]{3}", message):
                yield f"MEND {_template(what)}: {message}"


def errors() -> Iterator[str]:
    """Every message with which something is refused or given up, by the module that words it."""
    yield "- **what `check` says is to be mended**"
    yield from (f"  - {message}" for message in dict.fromkeys(mended(PACKAGE / "checkup.py")))
    for path in sorted(PACKAGE.rglob("*.py")):
        found = list(dict.fromkeys(raised(path)))
        if found:
            yield f"- **{path.relative_to(PACKAGE)}**"
            yield from (f"  - {' '.join(message.split())}" for _, message in found)


def main() -> int:
    page = PAGE.read_text(encoding="utf-8")
    parts = generated()
    fresh = replaced(page, parts)
    if fresh == page:
        print("DEVELOPERS.md is up to date")
        return 0
    if "--look" in sys.argv[1:]:
        stale = [name for name in parts if replaced(page, {name: parts[name]}) != page]
        print(f"stale in DEVELOPERS.md: {', '.join(stale)}; run `python -m tests.documentation.generate`")
        return 1
    PAGE.write_text(fresh, encoding="utf-8")
    print("DEVELOPERS.md written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
