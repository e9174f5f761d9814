"""Dips with timers, warnings, finishing, outcomes and undo through forms and JSON, against a real store."""

from __future__ import annotations

import re
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.page.house import CARDS, NOW_MS, House, scan_of
from vatwatch.page.forms import MINUTES_AGO_CHOICES
from vatwatch.page.hand import LOOSE, UNTOLD
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind, VatCondition

MINUTE_MS = 60_000


@pytest.fixture
def fit(house: House) -> House:
    house.writer.scans(scan_of("copper", NOW_MS - 4000), scan_of("east-shed", NOW_MS - 4000, VatCondition.OFF))
    return house


def post(client: httpx.Client, kind: str, vat: str = "copper", **fields: str) -> httpx.Response:
    return client.post(f"/vat/{vat}/journal", data={"kind": kind, "entry_id": uuid4().hex, **fields})


def dip_in(client: httpx.Client, what: str = "Scarf", vat: str = "copper", **fields: str) -> httpx.Response:
    return post(client, "dip", vat, part="in", what=what, **fields)


def later(house: House, minutes: float, condition: VatCondition = VatCondition.SETTLING, **changes: Any) -> None:
    """Time goes on, and a scan says how the vat is."""
    house.now_ms += round(minutes * MINUTE_MS)
    house.writer.scans(scan_of("copper", house.now_ms - 1000, condition, **changes))


def started(house: House) -> JournalEntry:
    return [entry for entry in house.journal() if ("part", "in") in entry.details][-1]


def test_a_dip_is_started_and_stopped(fit: House, client: httpx.Client) -> None:
    answer = dip_in(client, fibre="cellulose", dry_grams="120", planned_min="8")
    assert answer.status_code == 303
    screen = client.get(answer.headers["location"]).text
    assert "Logged: Scarf into the vat." in screen
    assert "In the liquor, 1st dip" in screen
    assert "since 12:10, out at 12:18" in screen
    assert 'data-left-ms="480000"' in screen
    later(fit, 9)
    out = {"part": "out", "of": started(fit).entry_id, "what": "Scarf", "air_min": "12"}
    screen = client.get(post(client, "dip", **out).headers["location"]).text
    assert "Logged: Scarf out of the vat, 9\u00a0min." in screen
    assert "since 12:19, aired at 12:31" in screen
    assert "Into the vat: 2nd dip" in screen
    assert [entry.minutes for entry in fit.journal()] == [None, 9.0]


def test_a_new_piece_needs_no_typing(fit: House, client: httpx.Client) -> None:
    assert 'value="Piece 1"' in client.get("/vat/copper").text
    dip_in(client, "Piece 1")
    assert 'value="Piece 2"' in client.get("/vat/copper").text


def test_pre_wetting_has_a_timer(fit: House, client: httpx.Client) -> None:
    fields = {"step": "pre-wet", "part": "in", "what": "Scarf", "pre_wet_min": "25", "planned_min": "10"}
    screen = client.get(post(client, "note", **fields).headers["location"]).text
    assert "Pre-wetting" in screen
    assert "since 12:10, wet through at 12:35" in screen
    assert "Logged: Scarf: put to pre-wet." in screen


@pytest.mark.parametrize("vat", ["east-shed"])
def test_a_dip_into_a_vat_that_is_not_dyeable_is_warned_of(fit: House, client: httpx.Client, vat: str) -> None:
    assert "Dyed now, the piece would take up loose pigment that rubs off." in client.get(f"/vat/{vat}").text
    answer = dip_in(client, vat=vat)
    assert answer.status_code == 409
    assert "loose pigment that rubs off" in answer.text
    assert fit.journal() == []
    assert dip_in(client, vat=vat, anyway="yes").status_code == 303
    [entry] = fit.journal()
    [(_, despite)] = [pair for pair in entry.details if pair[0] == "despite"]
    assert despite.startswith("Not fit to dye: outside its window.")
    story = client.get("/piece", params={"name": "Scarf"}).text
    assert "Dipped all the same, though: not fit to dye" in story


def test_a_vat_nothing_is_heard_of_is_warned_of(house: House, client: httpx.Client) -> None:
    assert dip_in(client).status_code == 409
    house.writer.scans(scan_of("copper", NOW_MS - 200_000))
    said = dip_in(client).text
    assert "Not known: nothing heard since" in said
    assert UNTOLD in said
    assert LOOSE not in said, "what nobody can know is not claimed"


def test_pieces_follow_each_other_without_a_warning(fit: House, client: httpx.Client) -> None:
    dip_in(client, "One")
    later(fit, 1, settled_from_ms=NOW_MS + 30 * MINUTE_MS, shortfalls=("settling",))
    assert dip_in(client, "Two").status_code == 303
    post(client, "stir")
    assert dip_in(client, "Three").status_code == 409
    assert [row["name"] for row in client.get("/api/pieces").json()] == ["Two", "One"]


def test_a_piece_cannot_go_in_twice(fit: House, client: httpx.Client) -> None:
    dip_in(client)
    answer = dip_in(client, "SCARF")
    assert answer.status_code == 409
    assert "is in a vat already" in answer.text


def test_a_repeated_end_of_a_dip_is_one(fit: House, client: httpx.Client) -> None:
    dip_in(client)
    fields = {"part": "out", "of": started(fit).entry_id, "what": "Scarf", "kind": "dip", "entry_id": uuid4().hex}
    later(fit, 10)
    assert client.post("/vat/copper/journal", data=fields).status_code == 303
    later(fit, 1)
    assert client.post("/vat/copper/journal", data={**fields, "waited_s": "60"}).status_code == 303
    assert [entry.minutes for entry in fit.journal()] == [None, 10.0]
    unknown = {**fields, "of": "no-such-dip", "entry_id": uuid4().hex}
    assert client.post("/vat/copper/journal", data=unknown).status_code == 409


def test_an_entry_is_taken_back_and_said_to_be(fit: House, client: httpx.Client) -> None:
    dip_in(client)
    entry_id = started(fit).entry_id
    # Taken back from another vat's screen: the judgement of the entry's own vat has to hear of it.
    answer = post(client, "undo", vat="east-shed", what=entry_id)
    assert answer.status_code == 303
    assert [(entry.kind, entry.vat) for entry in fit.journal()][-1] == (EntryKind.UNDO, "copper")
    screen = client.get("/vat/copper").text
    assert "<s>Scarf into the vat</s> taken back" in screen
    assert "No piece is in hand." in screen
    assert post(client, "undo", what=entry_id).status_code == 409
    assert post(client, "undo", what="no-such-entry").status_code == 409
    assert post(client, "undo", what="x").status_code == 422
    assert dip_in(client).status_code == 303, "what was taken back may be done again"


def test_feeds_are_remembered(fit: House, client: httpx.Client) -> None:
    for what, grams in (("lime", "20"), ("fructose", "60"), ("Lime", "25")):
        post(client, "feed", what=what, grams=grams)
        fit.now_ms += MINUTE_MS
    screen = client.get("/vat/copper").text
    assert re.findall(r"<button>(\d+\u00a0g \w+)</button>", screen) == ["25\u00a0g Lime", "60\u00a0g fructose"]
    assert "As before" not in client.get("/vat/east-shed").text


@pytest.mark.parametrize("minutes", MINUTES_AGO_CHOICES)
def test_entries_may_be_dated_back(fit: House, client: httpx.Client, minutes: int) -> None:
    post(client, "stir", minutes_ago=str(minutes))
    assert fit.journal()[0].time_ms == NOW_MS - minutes * MINUTE_MS


def test_entries_may_be_dated_by_the_clock_on_the_wall(fit: House, client: httpx.Client) -> None:
    screen = client.get("/vat/copper?earlier=1").text
    assert screen.count('type="datetime-local"') >= 6
    assert post(client, "stir", at="2026-05-30T08:05").status_code == 303
    [entry] = fit.journal()
    assert entry.time_ms == NOW_MS - ((2 * 24 + 4) * 60 + 5) * MINUTE_MS  # 08:05 in Berlin, two days before 12:10
    assert post(client, "stir", at="yesterday").status_code == 422
    assert post(client, "stir", at="2026-06-02T08:05").status_code == 422


def test_a_dip_of_the_past_is_not_warned_of(fit: House, client: httpx.Client) -> None:
    assert dip_in(client, vat="east-shed", minutes_ago="30").status_code == 303


def test_what_a_phone_kept_happened_when_it_was_pressed(fit: House, client: httpx.Client) -> None:
    assert post(client, "stir", minutes_ago="5", waited_s="90.5").status_code == 303
    assert fit.journal()[0].time_ms == NOW_MS - 5 * MINUTE_MS - 90_500
    # Nobody could warn while there was no connection, and it is done.
    assert dip_in(client, vat="east-shed", waited_s="30").status_code == 303


def finished(house: House, client: httpx.Client, fibre: str = "cellulose") -> None:
    dip_in(client, fibre=fibre)
    later(house, 10)
    post(client, "dip", part="out", of=started(house).entry_id, what="Scarf")


def test_a_piece_collects_the_vats_state_during_each_dip(fit: House, client: httpx.Client) -> None:
    dip_in(client)
    for _ in range(10):
        later(fit, 1)
    post(client, "dip", part="out", of=started(fit).entry_id, what="Scarf")
    story = client.get("/piece", params={"name": "scarf"}).text
    assert "1st dip, Copper vat" in story
    assert "12:10, 10\u00a0min" in story
    assert "The vat was dyeable, 95\u00a0% reduced, pH 10.72 (as 11.12 at 25\u00a0°C), 41.3\u00a0°C." in story


def test_finishing_steps_are_ticked_and_unticked(fit: House, client: httpx.Client) -> None:
    finished(fit, client)
    story = client.get("/piece", params={"name": "Scarf"}).text
    assert [label for label in ("Rinse", "Mild-acid rest", "Boil", "Dry") if f"<h3>{label}</h3>" in story] == [
        "Rinse", "Mild-acid rest", "Boil", "Dry",
    ]  # fmt: skip
    assert "Acid never near the vat" in story
    fields = {"what": "Scarf", "step": "mild-acid rest", "minutes": "6", "back": "piece", "fibre": "cellulose"}
    answer = post(client, "finish", **fields)
    assert answer.headers["location"].startswith("/piece?name=Scarf&logged=")
    story = client.get(answer.headers["location"]).text
    assert "Logged: Scarf: rested in mild acid, 6\u00a0min." in story
    assert "Rested in mild acid 12:20, 6\u00a0min" in story
    tick = next(entry for entry in fit.journal() if entry.kind is EntryKind.FINISH)
    answer = post(client, "undo", what=tick.entry_id, back="piece")
    assert answer.headers["location"].startswith("/piece?name=Scarf")
    assert "Rested in mild acid 12:20" not in client.get(answer.headers["location"]).text


def test_wool_is_not_boiled_by_the_page_either(fit: House, client: httpx.Client) -> None:
    finished(fit, client, "protein")
    assert "<h3>Boil</h3>" not in client.get("/piece", params={"name": "Scarf"}).text
    assert post(client, "finish", what="Scarf", step="boil").status_code == 422
    body = {"entry_id": uuid4().hex, "vat": "copper", "kind": "finish", "what": "Scarf", "details": {"step": "boil"}}
    assert client.post("/api/journal", json=body).status_code == 422


def test_an_outcome_is_judged_dry(fit: House, client: httpx.Client) -> None:
    finished(fit, client)
    fields = {"what": "Scarf", "text": "a deep clear blue", "rubbing_dry": "4-5", "rubbing_wet": "3", "back": "piece"}
    measured = {"l_star": "24,5", "a_star": "1.2", "b_star": "−21", "k_over_s": "14"}
    answer = post(client, "outcome", **fields, **measured, form="outcome")
    assert answer.status_code == 422
    assert "Judge the shade when the piece is dry" in answer.text
    assert "a deep clear blue</textarea>" in answer.text
    assert 'value="24,5"' in answer.text
    answer = post(client, "outcome", **fields, **measured, judged_dry="yes")
    story = client.get(answer.headers["location"]).text
    assert "a deep clear blue; L* 24.5 a* 1.2 b* -21; K/S 14; rubbing dry 4–5, wet 3" in story
    listed = client.get("/pieces").text
    assert "Judged" in listed
    assert "rubbing dry 4–5" in listed
    [piece] = client.get("/api/pieces").json()
    assert (piece["stage"], len(piece["dips"]), piece["dips"][0]["end_ms"] is None) == ("judged", 1, False)


def test_pieces_through_json(fit: House, client: httpx.Client) -> None:
    body: dict[str, Any] = {
        "entry_id": uuid4().hex, "vat": "east-shed", "kind": "dip", "what": "Bag", "details": {"part": "in"},
    }  # fmt: skip
    answer = client.post("/api/journal", json=body)
    assert answer.status_code == 409
    assert "loose pigment" in answer.json()["detail"]
    assert client.post("/api/journal", json={**body, "anyway": True}).status_code == 201
    assert client.post("/api/journal", json={**body, "details": {"despite": "no"}}).status_code == 422
    assert client.post("/api/journal", json={**body, "details": {"colour": "no"}}).status_code == 422
    [line] = client.get(f"/api/vats/east-shed/journal?from_ms=0&to_ms={NOW_MS * 2}").json()
    assert line["details"]["part"] == "in"
    assert line["words"].startswith("Bag into the vat, though: Not fit to dye")


def test_there_is_a_screen_for_no_such_piece(house: House, client: httpx.Client) -> None:
    assert client.get("/piece", params={"name": "<b>"}).status_code == 404
    assert client.get("/piece").status_code == 422
    assert "No piece has been dipped yet" in client.get("/pieces").text


@pytest.mark.parametrize("span", ["day", "week", "season"])
def test_each_span_is_drawn_with_marks(fit: House, client: httpx.Client, span: str) -> None:
    post(client, "feed", what="lime", grams="20", minutes_ago="60")
    screen = client.get("/vat/copper/chart", params={"span": span}).text
    assert screen.count('class="day-mark"') == 3
    assert "Fed 20 g lime" in screen
    assert client.get("/vat/copper/chart", params={"span": "century"}).status_code == 422


def test_a_probe_that_is_not_there_cannot_be_out(fit: House, client: httpx.Client) -> None:
    answer = post(client, "probe-out", what="tub-ph", text="cleaning")
    assert answer.status_code == 422
    assert "no probe “tub-ph”" in answer.text
    settings = (
        '{"probe":{"tub-ph":{"vat":"copper","signal":"ph_mv"},"far-t":{"vat":"east-shed","signal":"temperature_c"}}}'
    )
    fit.writer.do(lambda writer: writer.record_settings(NOW_MS, settings, CARDS))
    screen = client.get("/vat/copper").text
    assert "pH probe (tub-ph)" in screen
    assert "far-t" not in screen
    assert post(client, "probe-out", what="tub-ph", minutes="20", text="cleaning").status_code == 303
    assert "Out since 12:10; counts as back at 12:30 by itself" in client.get("/vat/copper").text
    assert post(client, "probe-back", what="tub-ph").status_code == 303
    assert "Out for cleaning" in client.get("/vat/copper").text
