"""Alarms of the shed, shelving with its end, what is refused, and messages that wait: at a real server and a real store."""

from __future__ import annotations

from uuid import uuid4

import httpx

from tests.page.house import NOW_MS, House
from vatwatch.errors import Refused
from vatwatch.page.standing import not_delivered_to, troubles
from vatwatch.records import AlarmAction, AlarmEvent, Batch, Delivery, Push
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, AlarmState, Stream, Urgency

MINUTE = 60_000


def put(house: House, batch: Batch) -> None:
    house.writer.do(lambda writer: StoreWriter.append(writer, batch))


def event(alarm: str, to_state: AlarmState, vat: str = "", slot_ms: int = NOW_MS - 5 * MINUTE) -> AlarmEvent:
    return AlarmEvent(slot_ms, vat, alarm, 1, "x", AlarmState.NORMAL, to_state)


def test_the_first_screen_shows_the_alarms_of_the_shed_and_takes_answers(house: House, client: httpx.Client) -> None:
    put(house, Batch(NOW_MS, 1, shed_events=(event("calibration-due", AlarmState.UNACKNOWLEDGED),)))
    text = client.get("/").text
    assert "Calibration due: nobody has answered yet" in text
    assert 'action="/shed/alarm"' in text
    fields = {"alarm": "calibration-due", "verb": "acknowledge", "action_id": uuid4().hex}
    assert client.post("/shed/alarm", data=fields).status_code == 303
    with house.reader() as reader:
        (action,) = reader.waiting("", 0)[1]
    assert (action.vat, action.alarm, action.verb) == ("", "calibration-due", ActionVerb.ACKNOWLEDGE)
    assert client.get("/api/shed/alarms").json() == ["calibration-due"]
    body = {"action_id": uuid4().hex, "alarm": "calibration-due", "verb": "shelve", "minutes": 30}
    assert client.post("/api/shed/alarms", json=body).status_code == 201
    assert client.post("/shed/alarm", data={**fields, "verb": "sing"}).status_code == 422


def test_a_shelved_alarm_says_until_when(house: House, client: httpx.Client) -> None:
    until = NOW_MS + 90 * MINUTE
    action = AlarmAction("a1", NOW_MS - MINUTE, "", "disk-low", ActionVerb.SHELVE, until)
    put(house, Batch(NOW_MS - MINUTE, 1, actions=(action,)))
    put(house, Batch(NOW_MS, 1, shed_events=(event("disk-low", AlarmState.SHELVED, slot_ms=NOW_MS - MINUTE),)))
    text = client.get("/").text
    assert "The disk is nearly full: shelved until " in text
    assert "not told meanwhile" in text
    assert "Tell me again" in text


def test_what_the_watch_refuses_is_said_and_is_not_called_a_failure(house: House, client: httpx.Client) -> None:
    house.writer.refusal = Refused("the shed has no alarm 'too-blue'; its alarms: disk-low")
    fields = {"alarm": "too-blue", "verb": "acknowledge", "action_id": uuid4().hex}
    for where in ("/shed/alarm", "/vat/copper/alarm"):
        answer = client.post(where, data=fields)
        assert answer.status_code == 422
        assert "Not done: the shed has no alarm" in answer.text
    body = {"action_id": uuid4().hex, "alarm": "too-blue", "verb": "acknowledge"}
    assert client.post("/api/vats/copper/alarms", json=body).status_code == 422


def test_what_does_not_get_through_and_what_waits_on_purpose(house: House) -> None:
    push = Push("p", NOW_MS, "copper", "off-cold", Urgency.ACT, "Copper vat: too cold", "x")
    put(house, Batch(NOW_MS, 1, shed_pushes=(push, push)))
    pushes = Stream.PUSHES.value
    for outlet, stream in (("danger-phone-ida", pushes), ("phone-gone", pushes), ("heartbeat", "x")):
        house.writer.delivery(Delivery(outlet, stream, 1, last_ok_ms=1, last_error="no answer", last_error_ms=NOW_MS))
    present = {
        "danger-phone-ida": None,
        "phone-ida": (NOW_MS + 90 * MINUTE, 2),
        "phone-bo": (NOW_MS, 1),
        "heartbeat": None,
    }
    with house.reader() as reader:
        from zoneinfo import ZoneInfo

        said = troubles(reader, lambda: present, NOW_MS, ZoneInfo("UTC"))
        waiting = reader.deliveries()
    assert any(line.startswith("Messages through phone-ida have not been getting through") for line in said)
    assert any(line.startswith("The heartbeat address has not answered") for line in said)
    assert any("1 message is held for phone-bo until" in line for line in said)
    assert not any("phone-gone" in line for line in said), "a phone of settings that are no more"
    assert not_delivered_to(2, Urgency.DANGER, waiting) == ["phone-ida"]
    assert not_delivered_to(2, Urgency.ACT, waiting) == ["phone-gone"]
