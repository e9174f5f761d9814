"""SIGHUP on the real `vatwatch run`: what is taken over, what waits, what is refused; and no line of the meter is lost."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.counting import counts_by_probe, kept_numbers, runs
from tests.end_to_end.replaying import replay_differences
from tests.end_to_end.shed import Shed
from tests.services import HOST, HttpReceiver, Mosquitto, free_port, retained_tree, wait_until
from tests.systemd.test_service_manager import Manager


class Reloading:
    """A watched shed whose settings file can be changed and read again, with what the service manager hears of it."""

    def __init__(self, shed: Shed, manager: Manager) -> None:
        self.shed, self.manager = shed, manager

    def change(self, *changes: tuple[str, str]) -> None:
        text = self.shed.config.read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"{old!r} is not in the settings"
            text = text.replace(old, new, 1)
        self.shed.config.write_text(text, encoding="utf-8")

    def reload(self) -> str:
        """Send SIGHUP; the STATUS that comes with the READY=1 after it."""
        assert self.shed.daemon is not None
        before = len(self.manager.listen())
        sent_us = time.monotonic_ns() // 1000
        self.shed.daemon.send_signal(signal.SIGHUP)

        def answers() -> list[str]:
            return [text for text in self.manager.listen()[before:] if text.startswith("READY=1\nSTATUS=")]

        wait_until(answers, "READY=1 after a reload", 20)
        (told,) = [text for text in self.manager.listen()[before:] if text.startswith("RELOADING=1\n")]
        stamp = re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=([0-9]+)", told)
        assert stamp is not None, told
        assert sent_us <= int(stamp.group(1)) <= time.monotonic_ns() // 1000
        return answers()[0].removeprefix("READY=1\nSTATUS=")


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(str(tmp_path / "notify"))
    yield made
    made.close()


def test_reloads_under_load_lose_nothing_and_take_effect(manager: Manager, tmp_path: Path) -> None:
    with Mosquitto() as broker, HttpReceiver() as first, HttpReceiver() as second:
        extra = (
            f'\n[mqtt]\nhost = "{HOST}"\nport = {broker.port}\n[phone.pocket]\nurl = "json://{HOST}:{first.port}/x"\n'
        )
        with Shed(tmp_path, extra, interval_s=0.01) as shed:
            shed.plug_in("count")
            shed.start(**manager.environment)
            shed.wait_for_scans(2)
            watched = Reloading(shed, manager)

            watched.change(
                ('name = "Tub"', 'name = "Blue tub"'),
                ("[vat.tub.alarms]", "[vat.tub.window]\nph_low = 10\n[vat.tub.alarms]"),
            )
            assert watched.reload() == "settings read again: [vat.tub]"
            with shed.reader() as reader:
                (card,) = reader.cards()
            assert (card.name, card.ph_low) == ("Blue tub", 10.0)

            def announced() -> bool:
                with retained_tree(broker.port, "homie/#") as tree:
                    return '"name":"Blue tub"' in tree.get("homie/5/test-shed/$description", "")

            wait_until(announced, "the new name at the broker", 20)

            # Another phone from now on: what happens next is told there, and not at the old one.
            heard_before = len(first.heard)
            watched.change((f":{first.port}/x", f":{second.port}/y"))
            assert watched.reload() == "settings read again: [phone]"
            shed.set_liquor("9.00 -700.0 30.00")
            wait_until(lambda: second.heard, "a push at the new phone", 20)
            assert second.heard[0].path == "/y"
            assert "Blue tub" in second.heard[0].json["title"]
            assert len(first.heard) == heard_before

            for number in range(5):
                watched.change(("off_after_min = 0.0", f"off_after_min = 0.{number + 1}0"))
                assert watched.reload() == "settings read again: [vat.tub]"
                watched.change((f"off_after_min = 0.{number + 1}0", "off_after_min = 0.0"))
                watched.reload()
            assert watched.reload() == "settings read again: no change"

            # A heartbeat begins, and ends, without a restart.
            beat = tmp_path / "beat"
            beat.write_text(f"http://{HOST}:{first.port}/beat\n", encoding="utf-8")
            begun = '[heartbeat]\nurl_file = "beat"\nevery_min = 0.05\n\n[mqtt]'
            watched.change(("[mqtt]", begun))
            assert watched.reload() == "settings read again: [heartbeat]"
            wait_until(lambda: [heard for heard in first.heard if heard.path == "/beat"], "a heartbeat", 20)
            watched.change((begun, "[mqtt]"))
            assert watched.reload() == "settings read again: [heartbeat]"
            shed.wait_for_scans(shed.scans() + 2)
            assert shed.stop() == 0

            numbers = kept_numbers(shed.store_path)
            assert len(runs(numbers)) == 1, f"lines lost: {runs(numbers)}"
            assert len(set(counts_by_probe(shed.store_path).values())) == 1
            slots, differences = replay_differences(shed.store_path, "tub")
            assert differences == []
            with shed.reader() as reader:
                versions = {slot.settings_version for slot in reader.replay_slots("tub", 0, 2**62)}
            print(f"\n13 reloads, {len(numbers)} lines at 100/s, 0 lost; {slots} slots, settings versions {versions}")


def test_a_bad_file_is_refused_and_what_needs_a_restart_is_said(manager: Manager, tmp_path: Path) -> None:
    with HttpReceiver() as phone, Shed(tmp_path, f'\n[phone.pocket]\nurl = "json://{HOST}:{phone.port}/x"\n') as shed:
        shed.plug_in()
        shed.start(**manager.environment)
        shed.wait_for_scans(2)
        watched = Reloading(shed, manager)
        good = shed.config.read_text(encoding="utf-8")
        for change, complaint in (
            (("volume_l = 30", "volume_l = -3"), "table [vat.tub], key volume_l: given -3, expected"),
            (("[vat.tub]", "[vat.tub"), "is not TOML"),
            (('url = "json', 'url_file = "nowhere"\n#'), "nowhere cannot be read"),
            (('url = "json://', 'url = "sometalk://'), "is not an address apprise can use"),
            (("volume_l = 30", "window = { ph_low = 12, ph_high = 11 }"), "ph_low is 12 and ph_high is 11"),
        ):  # fmt: skip
            watched.change(change)
            said = watched.reload()
            assert said.startswith("the new settings are refused, the old ones stay in force: ")
            assert complaint in said
            assert complaint in shed.said()
            shed.config.write_text(good, encoding="utf-8")
        shed.config.unlink()
        assert "cannot be read" in watched.reload()
        shed.config.write_text(good, encoding="utf-8")

        shed.set_liquor("9.00 -700.0 30.00")
        wait_until(lambda: phone.heard, "the old phone still gets its push", 20)
        with shed.reader() as reader:
            assert {slot.settings_version for slot in reader.replay_slots("tub", 0, 2**62)} == {1}

        watched.change(
            ("scan_s = 1", "scan_s = 5"),
            (f"port = {shed.page_port}", f"port = {free_port()}"),
            ("volume_l = 30", "volume_l = 31"),
            (
                'field = "t"\nsignal = "temperature_c"',
                'field = "t"\nsigma = 0.5\nscale = 2.0\nsignal = "temperature_c"',
            ),
            ("[port.left]", '[vat.second]\nchemistry = "woad"\n\n[port.left]'),
        )
        said = watched.reload()
        assert said == (
            "settings read again: [vat.tub], [probe.tub-t]; "
            "only after a restart: [site], [vat.second], [probe.tub-t], [page]"
        )
        shed.wait_for_scans(shed.scans() + 2)
        with shed.reader() as reader:
            assert [card.vat for card in reader.cards()] == ["tub"]
            assert reader.cards()[0].volume_l == 31
        assert shed.stop() == 0


def test_a_closed_terminal_ends_the_watch_cleanly(tmp_path: Path) -> None:
    """A SIGHUP because the terminal went away is no wish to read the settings again."""
    with Shed(tmp_path) as shed:
        shed.plug_in()
        terminal, slave = os.openpty()
        command = [sys.executable, "-m", "vatwatch.cli", "run", "--config", str(shed.config)]
        with shed.log.open("ab") as log:
            shed.daemon = subprocess.Popen(["setsid", "--ctty", *command], stdin=slave, stdout=log, stderr=log)
        os.close(slave)
        shed.wait_for_scans(2)
        os.close(terminal)  # the kernel sends SIGHUP to whoever it belonged to
        assert shed.daemon.wait(10) == 0, shed.said()
        assert "settings read again" not in shed.said()


def test_the_unit_reloads_by_the_same_signal() -> None:
    unit = (Path(__file__).parents[2] / "systemd" / "vatwatch.service").read_text(encoding="utf-8")
    assert "\nExecReload=/bin/kill -HUP $MAINPID\n" in unit
