"""The reference is not stale and leaves nothing out: settings, commands, options, alarms, topics, tables, errors."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel
from typer.main import get_command

from tests.documentation.generate import PACKAGE, PAGE, ROOT, generated, raised, replaced
from vatwatch import assembly
from vatwatch.cli import app
from vatwatch.config import Config, check_config
from vatwatch.vat import shed_alarms
from vatwatch.vat.alarm_set import alarm_definitions

TEXT = PAGE.read_text(encoding="utf-8")
PARTS = generated()


@pytest.mark.parametrize("name", PARTS)
def test_no_generated_part_is_stale(name: str) -> None:
    assert replaced(TEXT, {name: PARTS[name]}) == TEXT, "run: python -m tests.documentation.generate"


def part(name: str) -> str:
    return TEXT.split(f"<!-- {name}: generated -->")[1].split(f"<!-- {name}: end -->")[0]


def models_in(model: type[BaseModel], seen: set[type[BaseModel]]) -> set[type[BaseModel]]:
    """Every table reachable from the settings' root, found another way than the generator goes."""
    seen.add(model)
    for inner in model.model_json_schema().get("$defs", {}):
        found = [m for m in _subclasses(BaseModel) if m.__name__ == inner and m.__module__.startswith("vatwatch.")]
        for one in found:
            if one not in seen:
                models_in(one, seen)
    return seen


def _subclasses(of: type[Any]) -> set[type[Any]]:
    return {of, *(deeper for direct in of.__subclasses__() for deeper in _subclasses(direct))}


def test_every_settings_key_is_documented_with_its_meaning() -> None:
    tables = models_in(Config, set()) - {Config}
    assert len(tables) >= 13
    rows = part("settings")
    for table in tables:
        for key, info in table.model_fields.items():
            is_table = any(name in str(info.annotation) for name in ("Table", "tuple[vatwatch"))
            assert f"| `{key}` |" in rows or (is_table and re.search(rf"\.{key}\]", rows)), f"{table.__name__}.{key}"
            assert info.description or is_table, f"{table.__name__}.{key} has no meaning given"


def test_every_command_argument_and_option_is_documented_with_what_it_does() -> None:
    group: Any = get_command(app)
    rows = part("commands")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, command in group.commands.items():
        assert f"| **`{name}" in rows
        assert f"vatwatch {name}" in readme, f"README.md does not show `vatwatch {name}`"
        assert command.help, name
        after = rows.split(f"| **`{name}")[1].split("| **`")[0]
        for parameter in command.params:
            for word in [(parameter.name or "").upper()] if parameter.param_type_name == "argument" else parameter.opts:
                assert re.search(rf"`[^`]*{re.escape(word)}\b[^`]*` \|", after), f"{name} {word}"
            assert parameter.help, f"{name} {parameter.name} says nothing in --help"


def alarms_of_the_code() -> set[str]:
    """Every alarm there is: of a vat with everything, of the shed, and whatever else a push is made of by name."""
    raw = {
        "vat": {"tub": {"chemistry": "hydrosulfite", "warmed": True}},
        "port": {"left": {"device": "/dev/null", "line": [{"delimiter": ",", "fields": ["p", "o", "t"]}]}},
        "probe": {
            "p": {"vat": "tub", "port": "left", "field": "p", "signal": "ph"},
            "o": {"vat": "tub", "port": "left", "field": "o", "signal": "orp_mv", "reference": "agcl_3m_kcl"},
            "t": {"vat": "tub", "port": "left", "field": "t", "signal": "temperature_c"},
        },
    }
    found = set(alarm_definitions(assembly.vat_settings(check_config(raw, "x"))["tub"])) | set(shed_alarms.DEFINITIONS)
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Push":
                given = [k.value for k in node.keywords if k.arg == "alarm"] + node.args[3:4]
                found |= {str(one.value) for one in given if isinstance(one, ast.Constant) and one.value}
    return found


def test_every_alarm_has_its_meaning_cause_and_response() -> None:
    section = TEXT.split("### Alarms: meaning, cause, response")[1].split("\n### ")[0]
    rows = [line.strip("|").split("|") for line in section.splitlines() if line.startswith("| `")]
    told = {name for row in rows for name in re.findall(r"`([a-z-]+)`", row[0])}
    mentioned = set(re.findall(r"\(`([a-z]+)`\)", section))
    assert len(alarms_of_the_code()) >= 20
    assert alarms_of_the_code() - mentioned == told, "one row for each alarm, and none for what is no alarm"
    for row in rows:
        assert len(row) == 5
        assert all(len(cell.strip()) >= 3 for cell in row), f"an empty cell beside {row[0]}"
        assert row[1].strip().startswith(("danger", "act", "tell")), row


def test_the_urgency_told_is_the_urgency_there_is() -> None:
    raw: dict[str, Any] = {"vat": {"tub": {"chemistry": "hydrosulfite", "warmed": True}}}
    definitions = {**alarm_definitions(assembly.vat_settings(check_config(raw, "x"))["tub"]), **shed_alarms.DEFINITIONS}
    section = TEXT.split("### Alarms: meaning, cause, response")[1].split("\n### ")[0]
    for name, definition in definitions.items():
        (row,) = [line for line in section.splitlines() if re.match(rf"\| [^|]*`{name}`", line)]
        assert row.split("|")[2].strip().startswith(definition.urgency.value), row
        assert definition.latching == ("latched" in row.split("|")[2])


def test_errors_are_found_where_they_are_raised(tmp_path: Path) -> None:
    """The list is only worth something if a new error would be missed in it."""
    assert ("ConfigError", "…: cannot be read (…); expected the settings file there") in set(
        raised(PACKAGE / "config.py")
    )
    assert part("errors").count("\n  - ") > 150


def test_every_command_in_the_documents_is_one_there_is() -> None:
    group: Any = get_command(app)
    known = {name: {word for p in command.params for word in p.opts} for name, command in group.commands.items()}
    pages = [ROOT / "README.md", PAGE, *(ROOT / "hardware_notes").glob("*.md"), *(ROOT / "systemd").glob("*.md")]
    seen = 0
    for page in pages:
        code = _code_of(page.read_text(encoding="utf-8"))
        for line in re.findall(r"(?:^|[`/]|sudo )vatwatch ((?:--)?[a-z][^`#\n]*)", code, re.MULTILINE):
            words = line.split()
            if words[0] in ("--version", "--install-completion", "--show-completion"):
                continue
            assert words[0] in known, f"{page.name}: vatwatch {line}"
            for option in (word for word in words if word.startswith("--")):
                assert option.split("=")[0] in known[words[0]] | {"--help"}, f"{page.name}: vatwatch {line}"
            seen += 1
    assert seen > 40


def _code_of(text: str) -> str:
    """Only what stands as code: between backticks or fences."""
    fenced = re.findall(r"^ *```sh\n(.*?)^ *```", text, re.MULTILINE | re.DOTALL)
    return "\n".join([*fenced, *(f"`{span}`" for span in re.findall(r"`([^`\n]+)`", text))])


def test_links_of_the_documents_lead_somewhere() -> None:
    pages = [ROOT / "README.md", PAGE, *(ROOT / "hardware_notes").glob("*.md"), *(ROOT / "systemd").glob("*.md")]
    for page in pages:
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)\s]+)\)", text):
            if target.startswith(("http:", "https:", "mailto:")):
                continue
            name, _, anchor = target.partition("#")
            there = (page.parent / name).resolve() if name else page
            assert there.exists(), f"{page.name}: {target}"
            if anchor:
                headings = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
                slugs = [re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings]
                assert anchor in slugs, f"{page.name}: {target}; there are {slugs}"
