"""`vatwatch setup`, typed at a real terminal: three kinds of probe on pseudo-terminals, and none at all."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pexpect
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.services import HOST, HttpReceiver
from vatwatch import assembly
from vatwatch.config import WHOLE_SHED, check_config, load_config
from vatwatch.first_settings import short_name
from vatwatch.interview import machine_timezone
from vatwatch.page.passphrase import read_passphrase

ROOT = Path(__file__).parents[2]


@contextmanager
def plugged_in(folder: Path, *kinds: str) -> Iterator[list[Path]]:
    """One simulated instrument of each kind, each a process of its own behind a pseudo-terminal."""
    links = [folder / f"port-of-{kind}" for kind in kinds]
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.probes.instruments", kind, str(link)], cwd=ROOT, stdout=subprocess.PIPE
        )
        for kind, link in zip(kinds, links, strict=True)
    ]
    try:
        for one in running:
            assert one.stdout is not None
            assert one.stdout.readline() == b"ready\n"
        yield links
    finally:
        for one in running:
            one.kill()
            one.wait(10)
            if one.stdout is not None:
                one.stdout.close()


@contextmanager
def setup(config: Path, *options: str, home: Path | None = None) -> Iterator[pexpect.spawn[str]]:
    child = pexpect.spawn(
        sys.executable, ["-m", "vatwatch.cli", "setup", *options, "--config", str(config)], encoding="utf-8",
        timeout=60, dimensions=(50, 200), cwd=str(home or config.parent),
        env={**os.environ, "TZ": "Europe/Lisbon", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        yield child
    finally:
        child.close(force=True)


def answer(child: pexpect.spawn[str], *steps: tuple[str, str]) -> None:
    for question, typed in steps:
        child.expect_exact(question)
        child.sendline(typed)


def ended_with(child: pexpect.spawn[str]) -> int | None:
    child.expect(pexpect.EOF)
    child.wait()
    status: int | None = child.exitstatus
    return status


def check(config: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "check", *options, "--config", str(config)],
        capture_output=True, text=True, timeout=120, check=False, cwd=ROOT,
    )  # fmt: skip


def test_three_kinds_of_probe_in_three_vats(tmp_path: Path) -> None:
    config = tmp_path / "vatwatch.toml"
    with HttpReceiver() as phone, plugged_in(tmp_path, "lines", "sdi12", "modbus") as links:
        devices = [word for link in links for word in ("--device", str(link))]
        with setup(config, *devices, "--listen", "1") as child:
            answer(
                child,
                ("Its name?", "Blue barn"),
                ("Time zone? [Europe/Lisbon]", "?"),
                ("Time zone?", "Atlantis/Deep"),
                ("expected an IANA time zone", ""),
                ("How many? [1]", "3"),
            )
            for number, (name, made, fibre) in enumerate(
                (("Großer Bottich", "3", "1"), ("Woad vat", "7", "2"), ("Iron tub", "4", "")), 1
            ):
                answer(child, (f"Name of vat {number}?", name), ("How is", made))
                if fibre:
                    answer(child, ("What is dyed in it?", fibre))
                answer(child, ("How many litres", "60,5" if number == 1 else ""), ("Does a heater work", ""))
                child.expect_exact("  ! ")
            child.expect_exact("sends lines by itself")
            child.expect("Heard: pH 10[0-9.]*, ORP \\(redox\\) in mV -6[0-9]+, temperature in °C 3[0-9.]+")
            answer(
                child, ("Is each of them", ""), ("Which vat does it stand in?", "1"), ("Which reference electrode", "6"),
                ("Is each of them", ""), ("Which vat does it stand in?", "1"), ("Which reference electrode", ""),
                ("Is each of them", "n"),
            )  # fmt: skip
            answer(
                child, ("What is ", ""), ("What is ", ""), ("What is ", "6")
            )  # unit 1's temperature is something else
            answer(
                child, ("Which vat does it stand in?", "1"), ("Which reference electrode", ""),
                ("Is each of them", ""),
            )  # fmt: skip
            child.expect_exact("Every vat has its pH and its ORP probe")
            answer(
                child,
                ("Is there a phone", "y"), ("Its Apprise URL?", "pigeon"), ("has no :// in it", ""),
            )  # fmt: skip
            child.expect_exact("Its Apprise URL?")
            child.sendline(f"json://{HOST}:{phone.port}/barn")
            answer(child, ("MQTT broker", "n"), ("open the page?", "y"), ("Passphrase", "short"), ("5 characters", ""))
            child.expect_exact("Passphrase")
            child.sendline("lime and bran and blue")
            child.expect_exact("3 vats, 8 probes")
            child.expect_exact(f"vatwatch check --push --config {config}")
            assert ended_with(child) == 0

        written = load_config(config)
        assert (written.site.id, written.site.name, written.site.timezone) == (
            "blue-barn",
            "Blue barn",
            "Europe/Lisbon",
        )
        assert list(written.vat) == ["groer-bottich", "woad-vat", "iron-tub"]
        assert written.vat["groer-bottich"].volume_l == 60.5
        assert (written.vat["woad-vat"].fibre.value, written.vat["woad-vat"].warmed) == ("protein", True)
        assert not written.vat["iron-tub"].warmed
        assert written.probe["groer-bottich-orp"].reference == "sce"
        assert sorted(name for name in written.probe if name.startswith("iron-tub")) == ["iron-tub-orp", "iron-tub-ph"]
        text = config.read_text(encoding="utf-8")
        assert text.count("#[probe.a-vat-") == 3
        assert "barn" not in text.replace("Blue barn", "").replace("blue-barn", ""), "the URL is not in the settings"
        secret = tmp_path / "phone-url"
        assert secret.read_text() == f"json://{HOST}:{phone.port}/barn\n"
        for path, mode in ((secret, 0o600), (tmp_path / "page-passphrase", 0o600), (config, 0o644)):
            assert stat.S_IMODE(path.stat().st_mode) == mode
        assert read_passphrase(tmp_path / "page-passphrase").matches("lime and bran and blue")

        # What it wrote, `check` takes, probes and phone included.
        said = check(config, "--push", "--listen", "15")
        assert said.returncode == 0, said.stdout + said.stderr
        assert [line.split()[0] for line in said.stdout.splitlines() if " port port-" in line] == ["good"] * 3
        assert phone.heard[0].path == "/barn"


def test_enter_all_the_way_without_a_probe(tmp_path: Path) -> None:
    """Only the kind of vat has no default; the rest is Enter. It loads, `check` says what is missing, and `run` runs."""
    config = tmp_path / "vatwatch.toml"
    with setup(config, home=tmp_path) as child:
        answer(child, ("Its name?", ""), ("Time zone?", ""), ("How many?", ""), ("Name of vat 1?", ""))
        answer(
            child,
            ("How is Vat 1 made?", ""),
            ("expected a number from 1 to 8", "?"),
            ("Limits, feeds and cautions", "1"),
        )
        answer(
            child, ("What is dyed", ""), ("How many litres", ""), ("Does a heater", ""), ("Look for probes now?", "n")
        )
        answer(child, ("Is there a phone", ""), ("MQTT broker", ""), ("open the page?", ""))
        child.expect_exact("vatwatch ports")
        child.expect_exact("vat is unknown")
        assert ended_with(child) == 0
    written = load_config(config)
    assert list(written.vat) == ["vat-1"]
    assert assembly.port_settings(written) == []
    said = check(config)
    assert said.returncode == 0, said.stdout
    assert "vat vat-1 has no probe for ph, orp_mv, temperature_c" in said.stdout

    # A second time: the file that is there stays, unless it is wished away, and then it is set aside.
    before = config.read_text(encoding="utf-8")
    with setup(config) as child:
        answer(child, ("is there already", ""))
        child.expect_exact("was left as it is")
        assert ended_with(child) == 1
    with setup(config) as child:
        answer(child, ("is there already", "y"), ("Its name?", "Other"))
        child.expect_exact("Time zone?")
        child.sendintr()
        child.expect_exact("nothing was written")
        assert ended_with(child) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["vatwatch.toml"]
    assert config.read_text(encoding="utf-8") == before


def test_without_a_terminal_it_says_where_else_to_begin(tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "setup", "--config", str(tmp_path / "v.toml")],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert said.returncode == 2
    assert "systemd/vatwatch.example.toml" in said.stderr


@pytest.mark.parametrize(
    ("text", "taken", "expected"),
    [
        ("Big blue", [], "big-blue"),
        ("Big blue", ["big-blue"], "big-blue-2"),
        ("Ñandú #1", [], "nandu-1"),
        ("青", [], "vat-1"),
        ("--- The very long name of a vat", [], "the-very-long"),
    ],
)
def test_short_names(text: str, taken: Sequence[str], expected: str) -> None:
    assert short_name(text, taken, "vat-1") == expected


@given(st.lists(st.text(max_size=40), max_size=6))
def test_any_names_become_different_short_names_the_settings_take(names: list[str]) -> None:
    shorts: list[str] = []
    for name in [*names, "Shed"]:
        shorts.append(short_name(name, [WHOLE_SHED, *shorts], "vat"))
    assert len(set(shorts)) == len(shorts)
    if shorts:
        check_config({"vat": {short: {"chemistry": "woad"} for short in shorts}}, "shed.toml")


def test_the_machines_time_zone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TZ", raising=False)
    assert machine_timezone(tmp_path) == "UTC"
    (tmp_path / "localtime").symlink_to("/usr/share/zoneinfo/Asia/Kolkata")
    assert machine_timezone(tmp_path) == "Asia/Kolkata"
    (tmp_path / "timezone").write_text("Europe/Lisbon\n")
    assert machine_timezone(tmp_path) == "Europe/Lisbon"
    monkeypatch.setenv("TZ", ":Pacific/Apia")
    assert machine_timezone(tmp_path) == "Pacific/Apia"
