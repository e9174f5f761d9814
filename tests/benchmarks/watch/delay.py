"""How long after its scan a reading is with the broker's clients: `python -m tests.benchmarks.watch.delay`.

The real `vatwatch run` reads a pseudo-terminal, judges once a second, commits and publishes to a real mosquitto; a client
of that broker notes when the scan's own time (`read-at`) arrives. The delay counted runs from the scan's end on the
daemon's clock, so it holds the wait for late samples, the judgement, the commit and the broker. Nothing passes or fails.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.end_to_end.shed import Shed
from tests.services import HOST, Mosquitto

TOPIC = "homie/5/test-shed/tub/read-at"


def delays(directory: Path, seconds: float, settle_s: float) -> list[float]:
    """Milliseconds from the end of each scan to its arrival; what was retained, or came before it settled, is left out."""
    found: list[float] = []
    begin_s = time.time() + settle_s

    def heard(_client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        now_s = time.time()
        if not message.retain and now_s > begin_s:
            found.append(1000 * (now_s - datetime.fromisoformat(message.payload.decode()).timestamp()))

    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        extra = f'\n[mqtt]\nhost = "{HOST}"\nport = {broker.port}\n'
        shed = stack.enter_context(Shed(directory, extra=extra, interval_s=0.1))
        shed.plug_in()
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.on_message = heard
        client.connect(HOST, broker.port)
        client.subscribe(TOPIC, qos=1)
        client.loop_start()
        shed.start()
        time.sleep(settle_s + seconds)
        client.loop_stop()
        client.disconnect()
        assert shed.stop() == 0, shed.said()
    assert len(found) >= 0.9 * seconds, f"only {len(found)} scans arrived in {seconds:g} s:\n{shed.said()[-2000:]}"
    return sorted(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--settle-s", type=float, default=10.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as directory:
        found = delays(Path(directory), given.seconds, given.settle_s)
    middle, late = found[len(found) // 2], found[int(0.99 * len(found))]
    print(
        f"{len(found)} scans: half within {middle:.0f} ms, 99 of 100 within {late:.0f} ms, all within {found[-1]:.0f} ms"
    )
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
