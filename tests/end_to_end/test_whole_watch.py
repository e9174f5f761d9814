"""From bytes on a serial port to store, broker, database and phone: the real program against real peers."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from ebus_sdk.homie import Controller

from tests.end_to_end.shed import Shed
from tests.services import HOST, HttpReceiver, Mosquitto, VictoriaMetrics, retained_tree, wait_until
from vatwatch.terms import EntryKind, Flag, VatCondition


@pytest.mark.filterwarnings("ignore:Callback API version 1:DeprecationWarning")  # the controller's own client
def test_bytes_become_record_tree_points_and_push(tmp_path: Path) -> None:
    with Mosquitto() as broker, VictoriaMetrics() as database, HttpReceiver() as phone:
        token = tmp_path / "token"
        token.write_text("test-token\n")
        extra = f"""
[mqtt]
host = "{HOST}"
port = {broker.port}

[influx]
url = "{database.url}"
org = "shed"
bucket = "vats"
token_file = "{token}"

[phone.pocket]
url = "json://{HOST}:{phone.port}/push"
"""
        with Shed(tmp_path, extra) as shed:
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(5)

            # the store: calibrated by two points (7.05 → 7.00 and 10.00 → 10.01), flagged, judged
            with shed.reader() as reader:
                wait_until(lambda: (s := reader.last_scan("tub")) and s.ph.value is not None, "a pH in the store")
                scan = reader.last_scan("tub")
                assert scan is not None
                assert scan.condition is VatCondition.DYEABLE
                slope = (10.00 - 7.05) / (10.01 - 7.00)
                assert scan.ph.value == pytest.approx(7.00 + (11.00 - 7.05) / slope, abs=0.005)
                kept = list(reader.samples("tub", 0, 2**62))
                assert {s.value for s in kept if s.probe == "tub-ph"} == {11.0}, "raw values are kept as they came"
                assert all(s.flag is Flag.PASS for s in kept)

            # the broker: a Homie 5 device that a foreign controller understands
            controller = Controller(mqtt_cfg={"host": HOST, "port": broker.port}, homie_domain="homie")
            try:
                controller.start_discovery()

                def known() -> bool:
                    device = controller.get_device("test-shed")
                    return device is not None and device.state == "ready" and bool(device.get_property("tub", "ph"))

                wait_until(known, "the controller knows the shed", 15)
                device = controller.get_device("test-shed")
                assert device is not None
                assert device.get_property("tub", "condition") == "dyeable"
                assert float(str(device.get_property("tub", "temperature"))) == pytest.approx(30.0)
            finally:
                controller.stop()

            # the database
            def exported() -> list[dict[str, Any]]:
                return database.export("vat_scan_temperature_c")

            wait_until(exported, "points in the database", 20)
            (series,) = exported()
            assert set(series["values"]) == {30.0}
            assert series["metric"]["vat"] == "tub"

            # the phone: too hot
            shed.set_liquor("11.00 -700.0 62.00")
            wait_until(lambda: phone.heard, "a push", 20)
            message = phone.heard[0].json
            assert message["title"] == "Tub: TOO HOT"
            assert "Switch the heater off at the wall" in message["message"]
            assert f":{shed.page_port}" in message["message"]

            # the page takes a feed, the daemon judges it
            page = f"http://127.0.0.1:{shed.page_port}"
            assert "Too hot" in httpx.get(page).text
            form = httpx.get(f"{page}/vat/tub").text
            assert "feed" in form.lower()
            answer = httpx.post(
                f"{page}/api/journal",
                json={
                    "entry_id": "from-the-test-0001",
                    "vat": "tub",
                    "kind": "feed",
                    "what": "hydrosulfite",
                    "grams": 20,
                },
                headers={"Origin": page},
            )
            assert answer.status_code in (200, 201, 303), answer.text
            assert shed.run("note", "tub", "stir").returncode == 0
            with shed.reader() as reader:
                wait_until(lambda: len(reader.journal("tub", 0, 2**62)) == 2, "feed and stir in the journal", 15)
                kinds = {entry.kind for entry in reader.journal("tub", 0, 2**62)}
                assert kinds == {EntryKind.FEED, EntryKind.STIR}

            # what a person can ask on the command line
            now = shed.run("now")
            assert now.returncode == 0, now.stderr
            assert "Too hot" in now.stdout
            review = shed.run("review", "--to", str(tmp_path / "review.html"))
            assert review.returncode == 0, review.stderr
            assert "<script" in (tmp_path / "review.html").read_text(encoding="utf-8")

            # killed: the broker's will says so; and the same after a clean stop says "disconnected"
            shed.kill()
            wait_until(lambda: tree_state(broker) == "lost", "the will", 60)
            shed.start()
            wait_until(lambda: tree_state(broker) == "ready", "ready again", 20)
            assert shed.stop() == 0
            assert tree_state(broker) == "disconnected"


def tree_state(broker: Mosquitto) -> str | None:
    with retained_tree(broker.port, "homie/5/test-shed/$state") as tree:
        return tree.get("homie/5/test-shed/$state")


def test_a_pulled_cable_is_told_and_heals(tmp_path: Path) -> None:
    with HttpReceiver() as phone, Shed(tmp_path, phone_table(phone)) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(4)
        shed.pull_the_cable()
        wait_until(lambda: phone.heard, "a push about the cable", 25)
        assert "probes silent" in phone.heard[0].json["title"]
        with shed.reader() as reader:
            scan = reader.last_scan("tub")
            assert scan is not None
            assert (scan.condition, scan.ph.value) == (VatCondition.UNKNOWN, None)
        shed.plug_in()
        wait_until(lambda: len(phone.heard) >= 2, "a push that it is back", 25)
        assert "are back" in phone.heard[1].json["title"]


def phone_table(phone: HttpReceiver) -> str:
    return f'[phone.pocket]\nurl = "json://{HOST}:{phone.port}/push"\n'


def test_check_tells_what_is_so(tmp_path: Path) -> None:
    with Mosquitto() as broker, HttpReceiver() as phone:
        extra = (
            f'[mqtt]\nhost = "{HOST}"\nport = {broker.port}\n[phone.pocket]\nurl = "json://{HOST}:{phone.port}/push"\n'
            f'[influx]\nurl = "http://{HOST}:9"\norg = "a"\nbucket = "b"\n'
        )
        with Shed(tmp_path, extra) as shed:
            shed.plug_in()
            said = shed.run("check", "--push", "--listen", "5")
            assert said.returncode == 1
            lines = said.stdout.splitlines()
            assert any(re.match(r"good +port left: .*tub-orp -700", line) for line in lines), said.stdout
            assert any(line.startswith("good  broker") for line in lines)
            assert any(line.startswith("MEND  database") for line in lines)
            assert phone.heard[0].json["title"] == "vatwatch: test push"
            shed.pull_the_cable()
            said = shed.run("check", "--listen", "2")
            assert "MEND  port left" in said.stdout


def test_a_broker_that_is_absent_stops_nothing(tmp_path: Path) -> None:
    extra = f'[mqtt]\nhost = "{HOST}"\nport = 9\n[phone.pocket]\nurl = "json://{HOST}:9/push"\n'
    with Shed(tmp_path, extra) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(6)
        with shed.reader() as reader:
            wait_until(lambda: any(d.last_error for d in reader.deliveries()), "the trouble is kept", 20)
        told = shed.run("now").stdout
        assert "not delivered" in told
        assert shed.stop() == 0


def test_a_second_daemon_is_refused_with_the_reason(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(2)
        again = shed.run("run")
        assert again.returncode == 1
        assert "Another vatwatch" in again.stderr


def test_scans_carry_json_safe_numbers(tmp_path: Path) -> None:
    """What the page's JSON gives is strict JSON: no NaN, no Infinity."""
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(3)
        text = httpx.get(f"http://127.0.0.1:{shed.page_port}/api/vats").text
        assert json.loads(text, parse_constant=lambda word: pytest.fail(word))
