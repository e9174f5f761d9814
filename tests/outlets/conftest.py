"""A filled store and a running broker for the MQTT tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.outlets.book import Book, card, scan
from tests.services import Mosquitto


@pytest.fixture
def book() -> Book:
    made = Book()
    made.vats = [card(), card("woad-2", "Woad")]
    made.add(scan(1))
    return made


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as running:
        yield running
