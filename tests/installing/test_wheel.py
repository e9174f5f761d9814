"""Wheel and source archive are built and installed as a user would: into a clean environment, then run from there.

The short form installs the wheel alone and borrows its dependencies from the environment of the tests. The long form
lets pip install everything, on every Python from 3.11 to 3.13 that is found on PATH, under ~/.pyenv, or in
VATWATCH_PYTHONS (interpreters separated by colons):

    python -m pytest -m long tests/installing
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

from vatwatch import __version__
from vatwatch.store.schema import NEWEST

ROOT = Path(__file__).parents[2]
VERSIONS = ("3.11", "3.12", "3.13")


def run(*command: str | Path, cwd: Path, timeout_s: float = 600) -> str:
    environment = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "VATWATCH_CONFIG")}
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, env=environment, capture_output=True, text=True, timeout=timeout_s,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{command}\n{done.stdout[-2000:]}\n{done.stderr[-4000:]}"
    return done.stdout


def built(source: Path, into: Path, *kinds: str) -> list[Path]:
    into.mkdir()
    run(sys.executable, "-m", "hatchling", "build", "-d", into, *(f"-t{kind}" for kind in kinds), cwd=source)
    return sorted(into.iterdir())


@pytest.fixture(scope="module")
def archives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    found = built(ROOT, tmp_path_factory.mktemp("built") / "dist", "wheel", "sdist")
    return {"wheel": next(p for p in found if p.suffix == ".whl"), "sdist": next(p for p in found if p.suffix == ".gz")}


def content(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_the_wheel_holds_every_file_of_the_package(archives: dict[str, Path]) -> None:
    packed = content(archives["wheel"])
    here = {
        str(path.relative_to(ROOT)): path.read_bytes()
        for path in (ROOT / "vatwatch").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert {name: data for name, data in packed.items() if name.startswith("vatwatch/")} == here
    metadata = packed[f"vatwatch-{__version__}.dist-info/METADATA"].decode()
    assert "Requires-Python: >=3.11" in metadata
    assert "License-Expression: MIT" in metadata


def test_the_source_archive_gives_the_same_wheel_and_holds_what_installing_needs(
    archives: dict[str, Path], tmp_path: Path
) -> None:
    with tarfile.open(archives["sdist"]) as archive:
        archive.extractall(tmp_path, filter="data")
    (unpacked,) = tmp_path.iterdir()
    for wanted in (
        "systemd/vatwatch.service",
        "systemd/README.md",
        "tests/run",
        "hardware_notes/README.md",
        "README.md",
    ):
        assert (unpacked / wanted).is_file(), wanted
    (again,) = built(unpacked, tmp_path / "again", "wheel")
    assert content(again) == content(archives["wheel"])


def works(python: Path, folder: Path) -> str:
    """Version, completion and a quarter of an hour of the demo, all from the installed program; gives the version."""
    program = python.with_name("vatwatch")
    said = run(program, "--version", cwd=folder)
    assert said == f"vatwatch {__version__}, store layout {NEWEST}\n"
    assert "_VATWATCH_COMPLETE=complete_bash" in run("bash", "-c", f"{program} --show-completion; true", cwd=folder)
    where = run(python, "-c", "import vatwatch; print(vatwatch.__file__)", cwd=folder).strip()
    assert Path(where).is_relative_to(python.parents[1]), f"{where} is not the installed one"
    demo = run(
        program, "demo", "--headless", "--speed", "600", "--hours", "0.25", "--into", folder / "night", cwd=folder
    )
    assert "not a safety device" in " ".join(demo.split())
    now = run(program, "now", "--config", folder / "night" / "vatwatch.toml", cwd=folder)
    assert "pH" in now
    return said


def test_the_wheel_runs_from_a_clean_environment(archives: dict[str, Path], tmp_path: Path) -> None:
    environment = tmp_path / "clean"
    run(sys.executable, "-m", "venv", "--without-pip", environment, cwd=tmp_path)
    python = environment / "bin" / "python"
    run(
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "--no-deps",
        "--no-index",
        archives["wheel"],
        cwd=tmp_path,
    )
    # A line in a .pth file lends the libraries; an editable vatwatch among them is not taken along.
    (lent,) = [Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=tmp_path).strip())]
    (lent / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    works(python, tmp_path)


def interpreters() -> dict[str, str]:
    named = [Path(word) for word in os.environ.get("VATWATCH_PYTHONS", "").split(":") if word]
    named += sorted(Path.home().glob(".pyenv/versions/3.*/bin/python3"))
    named += [Path(path) for version in VERSIONS if (path := shutil.which(f"python{version}"))]
    found: dict[str, str] = {}
    for candidate in named:
        asked = subprocess.run(
            [candidate, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        if asked.stdout.strip() in VERSIONS:
            found.setdefault(asked.stdout.strip(), str(candidate))
    return found


@pytest.mark.long
def test_pip_installs_it_on_every_python_that_is_here(archives: dict[str, Path], tmp_path: Path) -> None:
    here = interpreters()
    assert here, f"no Python of {VERSIONS} was found"
    for version, interpreter in sorted(here.items()):
        folder = tmp_path / version
        folder.mkdir()
        run(interpreter, "-m", "venv", folder / "clean", cwd=folder)
        python = folder / "clean" / "bin" / "python"
        run(python, "-m", "pip", "install", "--quiet", archives["wheel"], cwd=folder, timeout_s=1800)
        run(python, "-m", "pip", "check", cwd=folder)
        print(f"\nPython {version} ({interpreter}): {works(python, folder).strip()}")
    print(f"not found, so not tried: {', '.join(v for v in VERSIONS if v not in here) or 'none'}")
