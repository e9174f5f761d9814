"""Nothing here hands text to a shell, an unpickler or an evaluator: walks the syntax of every module of the package."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "vatwatch"
FILES = sorted(PACKAGE.rglob("*.py"))
MODULES = {
    "pickle",
    "cPickle",
    "marshal",
    "shelve",
    "dill",
    "subprocess",
    "pty",
    "code",
    "codeop",
    "commands",
    "ctypes",
}
"""Importing one of these is a find by itself: vatwatch starts no other program and loads no foreign objects."""
ALLOWED = {"shed_facts.py": ["import ctypes"], "clock_sync.py": ["import ctypes"]}
"""The C library alone is asked there whether the clock is kept in time, which Python itself cannot say."""
CALLS = {"eval", "exec", "compile", "__import__"}
METHODS = {
    "os": {"system", "popen", "execv", "execve", "execvp", "execl", "spawnv", "spawnl", "posix_spawn", "fork", "forkpty"},
    "importlib": {"import_module"},
    "yaml": {"load"},
    "tempfile": {"mktemp"},
}  # fmt: skip


def finds(source: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (f"line {node.lineno}: import {a.name}" for a in node.names if a.name.split(".")[0] in MODULES)
        elif isinstance(node, ast.ImportFrom):
            top = (node.module or "").split(".")[0]
            if top in MODULES:
                yield f"line {node.lineno}: from {node.module}"
            yield from (f"line {node.lineno}: {top}.{a.name}" for a in node.names if a.name in METHODS.get(top, set()))
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in CALLS:
                yield f"line {node.lineno}: {node.func.id}()"
            if isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
                owner, method = node.func.value.id, node.func.attr
                if method in METHODS.get(owner, set()):
                    yield f"line {node.lineno}: {owner}.{method}()"
            for keyword in node.keywords:
                if keyword.arg == "shell" and not (
                    isinstance(keyword.value, ast.Constant) and keyword.value.value is False
                ):
                    yield f"line {node.lineno}: shell="


def test_the_package_is_there() -> None:
    assert len(FILES) > 100


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_shell_no_pickle_no_eval(path: Path) -> None:
    found = [find.split(": ", 1)[1] for find in finds(path.read_text(encoding="utf-8"))]
    assert found == ALLOWED.get(str(path.relative_to(PACKAGE)), [])


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from subprocess import run",
        "eval(text)",
        "import os\nos.system(text)",
        "from os import popen",
        "run(command, shell=True)",
        "run(command, shell=how)",
        "import yaml\nyaml.load(text)",
    ],
)
def test_each_of_them_would_be_found(source: str) -> None:
    assert list(finds(source))
