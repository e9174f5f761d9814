"""The JSON interface keeps to its own OpenAPI text, whatever it is sent (schemathesis, in a short seeded form)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import schemathesis
from schemathesis import GenerationMode
from schemathesis.specs.openapi import checks

from tests.page.house import CARDS, NOW_MS, STALE_AFTER_MS, House, Writer, free_port, scan_of
from vatwatch.page.app import create_app
from vatwatch.page.server import PageServer

SAME_FOR_ALL = [
    schemathesis.checks.not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_schema_conformance,
]


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path: Path = tmp_path_factory.mktemp("openapi") / "season.vatwatch"
    writer = Writer(path, CARDS, NOW_MS - 86_400_000)
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    built = House(writer, path, url, None)  # type: ignore[arg-type]
    app = create_app(built.reader, built.submit, built.clock, "Europe/Berlin", STALE_AFTER_MS, url)
    server = PageServer(app, "127.0.0.1", port, app.close)
    writer.scans(scan_of("copper", NOW_MS - 4000))
    try:
        server.start()
        yield schemathesis.openapi.from_url(f"{url}/api/openapi.json")
    finally:
        server.stop(10)
        writer.stop()


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_every_operation_keeps_to_its_description(api: Any, mode: GenerationMode) -> None:
    operations = [found.ok() for found in api.get_all_operations()]
    assert len(operations) >= 6
    for operation in operations:
        if (
            mode is GenerationMode.NEGATIVE
            and operation.method.upper() == "GET"
            and operation.path in ("/api/vats", "/api/shed/alarms")
        ):
            continue  # takes nothing, so nothing can be wrong with it

        @hypothesis.seed(7)
        @hypothesis.settings(
            max_examples=40, deadline=None, database=None, suppress_health_check=list(hypothesis.HealthCheck)
        )
        @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
        def keeps_to_it(case: Any) -> None:
            case.call_and_validate(checks=SAME_FOR_ALL)

        keeps_to_it()
