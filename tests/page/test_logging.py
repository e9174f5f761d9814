"""Logging and answering alarms through forms and JSON, against a real server and a real store."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from uuid import uuid4

import httpx
import pytest

from tests.page.house import CARDS, NOW_MS, House, Writer, scan_of
from vatwatch.errors import StoreError, StoreFull
from vatwatch.page.notebook import Notebook
from vatwatch.records import AlarmAction, AlarmEvent, Batch, Delivery, JournalEntry, Push, StepResult
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Flag, Stream, Urgency

NASTY = "</script><script>alert(1)</script><img src=x onerror=alert(2)> & \"'"


def form(kind: str = "feed", **fields: str) -> dict[str, str]:
    return {"kind": kind, "entry_id": uuid4().hex, "minutes_ago": "0", **fields}


def test_a_feed_is_logged_and_confirmed(house: House, client: httpx.Client) -> None:
    answer = client.post("/vat/copper/journal", data=form(what=" soda  ash ", grams="12,5", minutes_ago="15"))
    assert answer.status_code == 303
    [entry] = house.journal()
    assert (entry.vat, entry.kind, entry.what, entry.grams) == ("copper", EntryKind.FEED, "soda ash", 12.5)
    assert (entry.time_ms, entry.logged_ms) == (NOW_MS - 15 * 60_000, NOW_MS)
    assert "Logged: Fed 12.5\u00a0g soda ash." in client.get(answer.headers["location"]).text


@pytest.mark.parametrize(
    ("fields", "kind"),
    [
        (form("stir"), EntryKind.STIR),
        (form("check", what="yellow-green"), EntryKind.CHECK),
        (form("dip", what="scarf", minutes="10"), EntryKind.DIP),
        (form("top-up", what="water", litres="2"), EntryKind.TOP_UP),
        (form("cover", what="covered"), EntryKind.COVER),
        (form("note", text="smells sweet\r\nand clear"), EntryKind.NOTE),
    ],
)
def test_everything_a_dyer_does_can_be_logged(
    house: House, client: httpx.Client, fields: dict[str, str], kind: EntryKind
) -> None:
    assert client.post("/vat/copper/journal", data=fields).status_code == 303
    assert [entry.kind for entry in house.journal()] == [kind]


def test_pressing_twice_at_once_logs_once(house: House, client: httpx.Client) -> None:
    fields = form(what="fructose", grams="50")
    with ThreadPoolExecutor(8) as hands:
        answers = list(hands.map(lambda _: client.post("/vat/copper/journal", data=fields).status_code, range(8)))
    assert answers == [303] * 8
    assert house.handed_in == 8
    assert len(house.journal()) == 1


def test_a_used_form_with_other_content_is_not_swallowed(house: House, client: httpx.Client) -> None:
    fields = form(what="fructose", grams="50")
    client.post("/vat/copper/journal", data=fields)
    answer = client.post("/vat/copper/journal", data={**fields, "grams": "80"})
    assert answer.status_code == 409
    assert "already logged as “Fed 50 g fructose”" in answer.text
    [renewed] = re.findall(
        r'name="kind" value="feed">\s*<input type="hidden" name="entry_id" value="(\w+)"', answer.text
    )
    assert renewed != fields["entry_id"]
    assert 'name="grams" inputmode="decimal" autocomplete="off" maxlength="12" value="80"' in answer.text
    assert client.post("/vat/copper/journal", data={**fields, "grams": "80", "entry_id": renewed}).status_code == 303
    assert [entry.grams for entry in house.journal()] == [50, 80]


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        (form(what="", grams="50"), "Say what the vat was fed"),
        (form(what="lime", grams="much"), "a number is expected, such as 50 or 2.5; the form had “much”"),
        (form(what="lime", grams="-3"), "expected more than 0"),
        (form(what="lime", grams="nan"), "expected more than 0"),
        (form(what="lime", grams="1e9"), "at most 100000"),
        (form("check", what="purple"), "blue, blue-green, green, yellow-green, amber"),
        (form("note", text="  "), "The note is empty."),
        (form("note", text="x" * 2001), "2000 fit"),
        ({"kind": "stir", "entry_id": "../../x"}, "had lost its number"),
        ({"kind": "explode", "entry_id": "12345678"}, "did not say what to log"),
    ],
)
def test_a_form_that_cannot_be_taken_says_why(
    house: House, client: httpx.Client, fields: dict[str, str], sentence: str
) -> None:
    answer = client.post("/vat/copper/journal", data=fields)
    assert answer.status_code == 422
    assert sentence in answer.text
    assert house.handed_in == 0


@pytest.mark.parametrize(
    ("refusal", "status", "sentence"),
    [
        (StoreFull("no room on /var/lib"), 507, "the disk is full"),
        (StoreError("The pipeline is stopping."), 503, "The pipeline is stopping."),
    ],
)
def test_a_store_that_cannot_take_it_keeps_what_was_written(
    house: House, client: httpx.Client, refusal: StoreError, status: int, sentence: str
) -> None:
    house.writer.refusal = refusal
    fields = form("note", text="long words <b>typed</b> with blue hands")
    answer = client.post("/vat/copper/journal", data=fields)
    assert answer.status_code == status
    assert sentence in answer.text
    assert "long words &lt;b&gt;typed&lt;/b&gt; with blue hands</textarea>" in answer.text
    assert fields["entry_id"] in answer.text
    house.writer.refusal = None
    assert client.post("/vat/copper/journal", data=fields).status_code == 303
    assert len(house.journal()) == 1


def test_standing_alarms_are_answered_by_buttons(house: House, client: httpx.Client) -> None:
    slot_ms = NOW_MS - 4000
    house.writer.scans(
        scan_of("copper", slot_ms),
        alarm_events=(
            AlarmEvent(
                slot_ms,
                "copper",
                "overheat",
                1,
                "returns",
                AlarmState.UNACKNOWLEDGED,
                AlarmState.LATCHED_UNACKNOWLEDGED,
            ),
            AlarmEvent(slot_ms, "copper", "off-ph-low", 1, "occurs", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        ),
    )
    text = client.get("/vat/copper").text
    assert text.count('value="acknowledge"') == 2
    assert text.count('value="reset"') == 1
    taken: list[AlarmAction] = []
    append = house.writer.submit
    house.writer.submit = lambda record: (taken.append(record), append(record))[1]  # type: ignore
    for alarm, verb in (("overheat", "reset"), ("off-ph-low", "acknowledge")):
        fields = {"alarm": alarm, "verb": verb, "action_id": uuid4().hex}
        assert client.post("/vat/copper/alarm", data=fields).status_code == 303
    assert [(action.alarm, action.verb) for action in taken] == [
        ("overheat", ActionVerb.RESET),
        ("off-ph-low", ActionVerb.ACKNOWLEDGE),
    ]
    assert house.writer.do(lambda writer: all(StoreWriter.has(writer, action) for action in taken))
    shelve = {"alarm": "overheat", "verb": "shelve", "action_id": uuid4().hex}
    assert client.post("/vat/copper/alarm", data=shelve).status_code == 422
    assert client.post("/vat/copper/alarm", data={**shelve, "minutes": "120"}).status_code == 303
    assert (taken[-1].verb, taken[-1].until_ms) == (ActionVerb.SHELVE, NOW_MS + 7_200_000)
    assert client.post("/vat/copper/alarm", data={**shelve, "verb": "explode"}).status_code == 422


def test_json_logs_once_and_says_what(house: House, client: httpx.Client) -> None:
    body = {"entry_id": uuid4().hex, "vat": "copper", "kind": "feed", "what": "lime", "grams": 20, "by": "Ida"}
    for _ in range(2):
        answer = client.post("/api/journal", json=body)
        assert (answer.status_code, answer.json()["words"]) == (201, "Fed 20 g lime")
    [entry] = house.journal()
    assert (entry.by, entry.time_ms) == ("Ida", NOW_MS)
    assert client.post("/api/journal", json={**body, "grams": 21}).status_code == 409
    assert client.post("/api/journal", json={**body, "vat": "nowhere"}).status_code == 404
    assert client.post("/api/journal", json={**body, "grams": None, "entry_id": "12345678"}).status_code == 422
    assert client.post("/api/journal", json={**body, "colour": "x"}).status_code == 422
    house.writer.refusal = StoreFull("full")
    answer = client.post("/api/journal", json={**body, "entry_id": uuid4().hex})
    assert answer.status_code == 507
    assert "disk is full" in answer.json()["detail"]


def test_json_vats_withdraw_numbers_that_cannot_speak_for_now(house: House, client: httpx.Client) -> None:
    house.writer.scans(scan_of("copper", NOW_MS - 4000), scan_of("east-shed", NOW_MS - 200_000))
    fresh, stale = client.get("/api/vats").json()
    assert (fresh["condition"], fresh["ph"], fresh["stale"], fresh["age_s"]) == ("dyeable", 10.72, False, 4.0)
    assert fresh["reduction"]["share"] == 0.95
    assert (stale["condition"], stale["stale"], stale["reduction"]) == ("unknown", True, None)
    assert [stale[name] for name in ("ph", "ph_25c", "temperature_c", "orp_mv", "eh_mv")] == [None] * 5
    assert stale["withdrawn"]["ph"] == "no data for 3 min"
    assert (fresh["doubtful"], stale["doubtful"]) == ({}, {})


def test_a_suspect_number_is_given_with_its_doubt(house: House, client: httpx.Client) -> None:
    scan = scan_of("copper", NOW_MS - 4000)
    why = "The pH probe ph-1 has not moved since yesterday. Lift it out for a moment."
    house.writer.scans(replace(scan, ph=replace(scan.ph, flag=Flag.SUSPECT, reason=why)))
    (copper,) = (vat for vat in client.get("/api/vats").json() if vat["vat"] == "copper")
    assert (copper["ph"], copper["doubtful"]) == (10.72, {"ph": why})
    screen = client.get("/vat/copper").text
    assert why in screen
    assert '<small class="doubt">Doubtful: ' in screen
    assert "Good to about ±" in screen
    brief = client.get("/").text
    assert "<small>doubtful</small>" in brief
    assert why not in brief


def test_a_curve_has_a_hole_where_nothing_was_recorded(house: House, client: httpx.Client) -> None:
    house.writer.scans(*(scan_of("copper", NOW_MS - ago) for ago in (90_000, 80_000, 70_000, 20_000, 10_000)))
    query: dict[str, str | int] = {"quantity": "ph", "from_ms": NOW_MS - 100_000, "to_ms": NOW_MS, "buckets": 10}
    curve = client.get("/api/vats/copper/curve", params=query).json()
    assert curve["mean"] == [10.72, 10.72, 10.72, None, 10.72, 10.72]
    assert client.get("/api/vats/nowhere/curve", params=query).status_code == 404
    assert client.get("/api/vats/copper/curve", params={**query, "to_ms": 0}).status_code == 422
    assert client.get("/api/vats/copper/curve", params={**query, "quantity": "x"}).status_code == 422


def test_what_people_write_is_never_markup(house: House, client: httpx.Client) -> None:
    client.post("/vat/copper/journal", data=form("note", text=NASTY))
    for path in ("/vat/copper", "/vat/copper/chart"):
        text = client.get(path).text
        assert "<img src=x" not in text
        assert "<script>" not in text
        assert "&lt;img src=x" in text


def test_messages_that_do_not_get_through_are_said(house: House, client: httpx.Client) -> None:
    house.writer.delivery(
        Delivery("phone", Stream.PUSHES.value, last_ok_ms=1, last_error="time-out", last_error_ms=NOW_MS - 60_000)
    )
    assert "Messages through phone have not been getting through since 12:09: time-out" in client.get("/").text


def test_a_store_that_cannot_be_read_is_not_shown_as_well(house: House, client: httpx.Client) -> None:
    house.path.rename(house.path.with_suffix(".gone"))
    answer = client.get("/")
    assert answer.status_code == 503
    assert "Whether the vats are well is not known." in answer.text
    assert client.get("/api/vats").status_code == 503


def test_each_message_says_to_whom_it_was_not_delivered(house: House, client: httpx.Client) -> None:
    assert "Nothing had to be told yet." in client.get("/messages").text
    pushes = tuple(
        Push(f"push-{n}", NOW_MS - 9000 + n, "copper", "off-ph-low", Urgency.ACT, f"Copper vat: {n}", "pH 10.4 <b>")
        for n in (1, 2)
    )
    batch = Batch(NOW_MS - 9000, house.writer.version, (StepResult(scan_of("copper", NOW_MS - 9000), pushes=pushes),))
    house.writer.do(lambda writer: writer.append(batch))
    late = Delivery("phone-ida", Stream.PUSHES.value, position=1, last_error="no answer", last_error_ms=NOW_MS - 1000)
    house.writer.delivery(late)
    screen = client.get("/messages").text
    assert (
        screen.index("Copper vat: 2") < screen.index("not delivered to phone-ida yet") < screen.index("Copper vat: 1")
    )
    assert screen.count("not delivered to phone-ida yet") == 1
    assert "Messages through phone-ida have not been getting through since 12:09 (1 waits): no answer" in screen
    assert "pH 10.4 &lt;b&gt;" in screen


def test_the_notebook_reads_on_and_starts_afresh_with_another_store(house: House, tmp_path: Path) -> None:
    notebook = Notebook()
    for number in (1, 2):
        house.submit(JournalEntry(f"entry-{number}", NOW_MS, NOW_MS, "copper", EntryKind.FEED, "lime", grams=number))
    with house.reader() as reader:
        assert notebook.read(reader) == 2
        assert notebook.read(reader) == 2
    assert [entry.grams for entry in notebook.last_feeds("copper")] == [1.0]
    house.submit(JournalEntry("undo-0001", NOW_MS, NOW_MS, "copper", EntryKind.UNDO, "entry-1"))
    with house.reader() as reader:
        notebook.read(reader)
    assert [entry.grams for entry in notebook.last_feeds("copper")] == [2.0]
    other = Writer(tmp_path / "other.vatwatch", CARDS, NOW_MS)
    try:
        with StoreReader(tmp_path / "other.vatwatch") as reader:
            assert notebook.read(reader) == 0
        assert notebook.entries("copper", 0, NOW_MS * 2) == []
    finally:
        other.stop()
