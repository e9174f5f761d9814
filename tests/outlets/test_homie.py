"""Topics, payloads and the description against the rules of the Homie convention 5.0."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.outlets.book import T0, alarm, card, measured, scan
from vatwatch.errors import ConfigError
from vatwatch.outlets import homie
from vatwatch.records import Reduction
from vatwatch.terms import AlarmState, Flag, VatCondition

STEM = "homie/5/shed/madder-lane/"


def test_a_scan_in_full() -> None:
    assert homie.scan_values("shed", scan(1)) == {
        STEM + "condition": "dyeable",
        STEM + "ph": "11.02",
        STEM + "ph-status": "good",
        STEM + "ph-25c": "11.61",
        STEM + "orp": "-742.4",
        STEM + "orp-status": "good",
        STEM + "eh": "-532.1",
        STEM + "temperature": "49.87",
        STEM + "temperature-status": "good",
        STEM + "reduction": "96.4",
        STEM + "reduction-low": "91.0",
        STEM + "reduction-high": "98.7",
        STEM + "reduction-margin": "44.0",
        STEM + "settled-from": "2025-12-31T23:30:00.000Z",
        STEM + "read-at": "2026-01-01T00:00:10.000Z",
    }


@pytest.mark.parametrize(
    ("flag", "word", "number"),
    [
        (Flag.PASS, "good", "11.02"),
        (Flag.NOT_EVALUATED, "suspect", "11.02"),
        (Flag.SUSPECT, "suspect", "11.02"),
        (Flag.FAIL, "bad", ""),
        (Flag.MISSING, "missing", ""),
    ],
)
def test_a_number_that_failed_is_withdrawn_even_where_one_is_given(flag: Flag, word: str, number: str) -> None:
    values = homie.scan_values("shed", scan(1, ph=measured(11.02, flag)))
    assert (values[STEM + "ph"], values[STEM + "ph-status"]) == (number, word)


def test_what_is_not_known_is_deleted() -> None:
    bare = scan(1, eh_mv=None, ph_25c=None, reduction=None, settled_from_ms=None, ph=measured(None, Flag.MISSING))
    values = homie.scan_values("shed", bare)
    empty = {topic.removeprefix(STEM) for topic, payload in values.items() if not payload}
    assert empty == {
        *("eh", "ph", "ph-25c", "settled-from"),
        *("reduction", "reduction-low", "reduction-high", "reduction-margin"),
    }
    never_read = homie.no_values("shed", "madder-lane")
    assert never_read.keys() == values.keys()
    assert never_read[STEM + "condition"] == "unknown"
    assert {never_read[STEM + f"{q}-status"] for q in ("ph", "orp", "temperature")} == {"missing"}


_any_float = st.floats(allow_nan=True, allow_infinity=True)


@given(_any_float, _any_float, _any_float, st.floats(0, 1), st.sampled_from(Flag), st.sampled_from(VatCondition))
def test_no_scan_whatever_makes_an_illegal_payload(
    ph: float, eh: float, margin: float, share: float, flag: Flag, condition: VatCondition
) -> None:
    reduction = Reduction(share, share, share, margin, 1.0, False, 0.5)
    values = homie.scan_values(
        "shed", scan(1, ph=measured(ph, flag), eh_mv=eh, reduction=reduction, condition=condition)
    )
    by_id = {prop.id: prop for prop in homie.PROPERTIES}
    for topic, payload in values.items():
        homie.check_payload(by_id[topic.rsplit("/", 1)[1]], payload)
        assert "nan" not in payload
        assert "inf" not in payload
        assert payload != "-0.0"
    if not math.isfinite(ph):
        assert values[STEM + "ph"] == ""


@pytest.mark.parametrize(
    ("property_id", "payload"),
    [
        ("ph", "NaN"),
        ("ph", "inf"),
        ("ph", " 7.0"),
        ("ph", "+7"),
        ("ph", "-"),
        ("ph", "1_0"),
        ("ph", "٧"),
        ("reduction", "101"),
        ("reduction", "-1"),
        ("condition", "Dyeable"),
        ("condition", "too  hot"),
        ("ph-status", "fine"),
        ("read-at", "yesterday"),
    ],
)
def test_illegal_payloads_are_seen(property_id: str, payload: str) -> None:
    prop = next(p for p in homie.PROPERTIES if p.id == property_id)
    with pytest.raises(ValueError, match="is not a"):
        homie.check_payload(prop, payload)


def test_the_description_names_every_vat_and_property() -> None:
    document = json.loads(homie.description("Dye shed", [card(), card("woad-2", "Woad")], 7))
    homie.check_description(document)
    assert (document["homie"], document["version"], document["name"]) == ("5.0", 7, "Dye shed")
    assert set(document["nodes"]) == {"madder-lane", "woad-2"}
    properties = document["nodes"]["madder-lane"]["properties"]
    assert properties["condition"]["format"] == "dyeable,settling,off,too hot,unknown"
    assert properties["temperature"]["unit"] == "°C"
    assert {p["settable"] for p in properties.values()} == {False}
    assert {STEM + p for p in properties} == homie.scan_values("shed", scan(1)).keys()


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("datatype", "number"),
        ("format", "0-100"),
        ("format", "low:high"),
        ("name", ""),
        ("settable", "no"),
        ("unit", ""),
    ],
)
def test_an_illegal_description_is_refused(field: str, value: str) -> None:
    document = json.loads(homie.description("Dye shed", [card()], 7))
    document["nodes"]["madder-lane"]["properties"]["reduction"][field] = value
    with pytest.raises(ValueError, match=f"reduction.{field}"):
        homie.check_description(document)


@pytest.mark.parametrize("given", ["", "Shed", "dye shed", "-shed", "shed-", "shed/1", "$shed", "färberei", "a_b"])
def test_illegal_ids_are_refused_with_the_rule(given: str) -> None:
    with pytest.raises(ConfigError, match="a to z"):
        homie.check_id("[mqtt] site_id", given)


def test_only_standing_alarms_make_an_alert() -> None:
    for state in AlarmState:
        texts = homie.alerts("shed", [alarm(1, state)], {"madder-lane": "Madder Lane"})
        stands = state.value in ("unacknowledged", "acknowledged", "latched unacknowledged", "latched acknowledged")
        assert bool(texts) == stands, state
    texts = homie.alerts("shed", [alarm(1, AlarmState.UNACKNOWLEDGED)], {"madder-lane": "Madder Lane"})
    assert texts == {
        "homie/5/shed/$alert/madder-lane-overheat": (
            "Madder Lane: overheat since 2026-01-01T00:00:10.000Z, value 63.2 against a limit of 60"
        )
    }


def test_two_alarms_that_share_a_topic_are_both_told() -> None:
    one = alarm(1, AlarmState.UNACKNOWLEDGED, vat="a-b", name="c")
    two = replace(one, vat="a", alarm="b-c")
    (text,) = homie.alerts("shed", [one, two], {}).values()
    assert "a-b: c" in text
    assert "a: b c" in text


@given(st.integers(0, 4_102_444_800_000))
def test_times_survive_to_the_millisecond(time_ms: int) -> None:
    from datetime import datetime

    assert round(datetime.fromisoformat(homie.time_text(time_ms)).timestamp() * 1000) == time_ms
    assert homie.time_text(T0) == "2026-01-01T00:00:00.000Z"
