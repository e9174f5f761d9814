"""Acknowledge and shelve from the terminal and the broker, against the real daemon; and the heartbeat of a wedged one."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.end_to_end.shed import Shed, pause
from tests.services import HOST, HttpReceiver, Mosquitto, retained_tree, wait_until
from vatwatch.records import AlarmAction
from vatwatch.store import inbox
from vatwatch.terms import ActionVerb

WEDGED = Path(__file__).parents[1] / "systemd" / "wedged.py"


def transitions(shed: Shed, alarm: str, vat: str = "tub") -> list[tuple[str, str]]:
    with shed.reader() as reader:
        return [(e.transition, e.by) for e in reader.alarm_events(vat, 0, 2**62) if e.alarm == alarm]


def test_from_the_terminal_and_the_broker(tmp_path: Path) -> None:
    with Mosquitto() as broker:
        extra = f'[mqtt]\nhost = "{HOST}"\nport = {broker.port}\ntake_actions = true\n'
        with Shed(tmp_path, extra) as shed:
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(2)
            shed.set_liquor("11.00 -700.0 62.00")
            wait_until(lambda: transitions(shed, "overheat"), "it is too hot", 20)
            aside = shed.run("alarm", "tub", "shelve", "overheat", "--for", "600")
            assert " until " in aside.stdout
            wait_until(lambda: transitions(shed, "overheat")[-1][0] == "shelve", "it is shelved", 20)
            now = shed.run("now")
            until = re.search(r"Tub: Too hot: shelved until (\d\d:\d\d), not told meanwhile", now.stdout)
            assert until, now.stdout
            with shed.reader() as reader:
                (shelving,) = [event for event in reader.standing_alarms() if event.alarm == "overheat"]
                assert (reader.shelved_until(shelving) or 0) - shelving.slot_ms == 3_600_000, (
                    "an hour, whatever was wished"
                )

            client = paho.Client(CallbackAPIVersion.VERSION2)
            client.connect(HOST, broker.port)
            client.loop_start()

            def say(node: str, what: dict[str, object]) -> None:
                client.publish(f"homie/5/test-shed/{node}/alarm-action/set", json.dumps(what), qos=1).wait_for_publish(
                    10
                )

            def described() -> bool:
                with retained_tree(broker.port, "homie/5/test-shed/#") as tree:
                    return tree.get("homie/5/test-shed/$state") == "ready"

            wait_until(described, "the device is ready", 20)
            say("tub", {"verb": "unshelve", "alarm": "overheat", "by": "panel"})
            wait_until(lambda: ("unshelve", "panel") in transitions(shed, "overheat"), "the broker's action", 20)
            say("tub", {"verb": "unshelve", "alarm": "too-blue"})
            wait_until(lambda: "'too-blue'; its alarms:" in shed.said(), "a refusal is told", 20)

            # What another program hands in past the command is looked at all the same.
            inbox.drop(
                shed.store_path.parent / "inbox",
                AlarmAction("odd", 10**12, "tub", "too-blue", ActionVerb.ACKNOWLEDGE),
            )
            reasons = shed.store_path.parent / "inbox" / "rejected"
            wait_until(lambda: list(reasons.glob("*.reason")), "it is set aside with its reason", 20)
            assert "has no alarm 'too-blue'" in next(reasons.glob("*.reason")).read_text()
            client.disconnect()
            client.loop_stop()
            assert shed.stop() == 0


def test_a_wedged_watch_falls_silent(tmp_path: Path) -> None:
    trigger = tmp_path / "hang-now"
    with HttpReceiver() as service:
        (tmp_path / "beat-url").write_text(f"{service.url}/s3cret-token\n")
        with Shed(tmp_path, '[heartbeat]\nurl_file = "beat-url"\nevery_min = 0.01\n') as shed:
            shed.plug_in()
            with shed.log.open("ab") as log:
                shed.daemon = subprocess.Popen(
                    [sys.executable, str(WEDGED), "recorder", str(trigger), "run", "--config", str(shed.config)],
                    stderr=log, stdout=log, env={**os.environ, "PYTHONPATH": str(WEDGED.parents[2])},
                )  # fmt: skip
            wait_until(lambda: len(service.heard) >= 3, "it beats", 30)
            trigger.touch()
            wait_until(lambda: "stuck: recorder" in shed.said(), "the recorder is stuck", 30)
            so_far = len(service.heard)
            pause(3.0)  # five beats' time: only real time can show that nothing comes
            assert len(service.heard) <= so_far + 1
            assert "s3cret" not in shed.said()
