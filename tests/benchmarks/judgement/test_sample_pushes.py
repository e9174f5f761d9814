"""The pushes of the rehearsed days as a person would read them: no stray figures, nothing urgent without what to do."""

from __future__ import annotations

import re

import pytest

from tests.benchmarks.judgement.sample_pushes import PHONE, messages, rehearse
from vatwatch.terms import Urgency


@pytest.mark.long
def test_every_message_can_be_read_with_wet_hands() -> None:
    written, events = rehearse()
    found = [message for _, message in messages(written, events, PHONE)]
    assert len(found) > 15
    assert len({message.reference for message in found}) == len(found)
    for message in found:
        text = f"{message.title}\n{message.body}"
        assert len(message.title) <= 70, message.title
        assert not re.search(r"\d\.\d{3}", text.replace("192.0.2.10", "")), text
        assert not re.search(r"\bNone\b", text), text
        if message.urgency is not Urgency.TELL and not message.title.startswith("Tonight"):
            assert "What to do: " in message.body or "Hang it back" in message.body, text
