"""Rubbish at the port, a full card, a settings file with mistakes: a clear message each, no crash, no loss."""

from __future__ import annotations

import itertools
import os
import random
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.shed import Shed
from tests.services import HOST, HttpReceiver, wait_until
from vatwatch.records import Scan


def test_a_million_bytes_of_rubbish_at_the_port(tmp_path: Path) -> None:
    """1,000,000 seeded bytes, a third of them shaped like lines, then a good meter: the daemon reads on."""
    rng = random.Random(1_000_000)
    with Shed(tmp_path) as shed:
        master, slave = os.openpty()
        tty.setraw(slave)
        shed.device.symlink_to(os.ttyname(slave))
        shed.start()
        sent = 0
        while sent < 1_000_000:
            if rng.random() < 1 / 3:
                t = rng.choice(["nan", "inf", "85.0", "-127", "30.0"])
                piece = f"pH={rng.uniform(-20, 20):.3f};ORP={rng.uniform(-9e9, 9e9)};T={t}\r\n"
                block = piece.encode()[: rng.randrange(1, 60)]
            else:
                block = rng.randbytes(rng.randrange(1, 4096))
            sent += len(block)
            view = memoryview(block)
            while view:  # the kernel's buffer is small: this blocks until the daemon has read
                view = view[os.write(master, view) :]
        os.write(master, b"\r\n" + b"pH=11.00;ORP=-700.0;T=30.00\r\n" * 20)
        with shed.reader() as reader:
            wait_until(
                lambda: (s := reader.last_scan("tub")) is not None and s.ph.value is not None, "a good reading", 30
            )
            events = reader.port_events(0, 2**62)
            assert any(event.event == "garbled" for event in events)
            judged = [s for s in reader.samples("tub", 0, 2**62) if s.flag == 1 and s.probe == "tub-ph"]
            assert all(0 <= (s.value or 0) <= 14 for s in judged)
        print(f"\n{sent} bytes of rubbish; {len(judged)} pH values believed; {len(events)} port events")
        assert shed.stop() == 0
        os.close(master)
        os.close(slave)


@pytest.fixture
def small_card(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 3 MB. Root may mount one; elsewhere the test says that it could not."""
    mount = tmp_path / "card"
    mount.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(mount)], capture_output=True, text=True, check=False
    )
    if made.returncode:
        # Unprivileged: a user and mount namespace of our own would be needed; the store's own tests cover the limit.
        pytest.fail(f"a small tmpfs is needed for this test and could not be mounted: {made.stderr.strip()}")
    yield mount
    subprocess.run(["umount", "-l", str(mount)], check=True)


def test_a_full_card_loses_nothing_and_heals_by_itself(tmp_path: Path, small_card: Path) -> None:
    (tmp_path / "vatwatch-data").symlink_to(small_card)
    table = '[phone.pocket]\nurl = "json://{host}:{port}/push"\n'
    with HttpReceiver() as phone, Shed(tmp_path, table.format(host=HOST, port=phone.port), interval_s=0.1) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(3)
        ballast = small_card / "ballast"
        with ballast.open("wb", buffering=0) as heavy:
            try:
                while True:
                    heavy.write(b"\0" * 4096)
            except OSError:
                pass  # full, as wanted
        wait_until(lambda: "kept in memory only" in shed.said(), "the daemon says that the card is full", 30)
        stuck_at = shed.scans()
        # Danger does not wait for the disk.
        shed.set_liquor("11.00 -700.0 62.00")
        wait_until(lambda: len(phone.heard) >= 2, "pushes past the full card", 30)
        titles = {heard.json["title"] for heard in phone.heard}
        assert {"vatwatch cannot write its record", "Tub: TOO HOT"} <= titles
        before = [s.slot_ms for s in scans(shed)]
        ballast.unlink()
        wait_until(lambda: shed.scans() > stuck_at + 3, "writing again", 30)
        assert "takes writes again" in shed.said()
        slots = [s.slot_ms for s in scans(shed)]
        assert slots[: len(before)] == before
        gaps = [b - a for a, b in itertools.pairwise(slots)]
        assert set(gaps) == {1000}, f"no slot may be missing: {gaps}"
        print(f"\nfull card: {len(before)} slots before, {len(slots)} after it had room again, none missing")
        assert shed.stop() == 0


def scans(shed: Shed) -> list[Scan]:
    with shed.reader() as reader:
        return list(reader.scans("tub", 0, 2**62))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[vat.tub\n", "is not TOML"),
        ("[site]\nscan_s = 10\n", "vat"),
        ('[vat.tub]\nchemistry = "beer"\n', "hydrosulfite"),
    ],
)
def test_run_with_a_bad_settings_file_says_why_and_exits_2(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "vatwatch.toml"
    path.write_text(text)
    said = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "run", "--config", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.returncode == 2
    assert str(path) in said.stderr.replace("\n", "")
    assert expected in said.stderr
    assert "Traceback" not in said.stderr
