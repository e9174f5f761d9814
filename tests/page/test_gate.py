"""Who is let in: host, origin, size, headers; and the server's own start and stop."""

from __future__ import annotations

import socket
import time

import httpx
import pytest

from tests.page.house import House
from vatwatch.page.guard import BODY_MOST, allowed_origins
from vatwatch.page.server import PageServer, PortInUse

_FILES = ("/static/cloth.css", "/static/touch.js", "/static/kept.js", "/static/live.js", "/static/dipped.svg")
STIR = {"kind": "stir", "entry_id": "0123456789abcdef"}
JSON_STIR = {**STIR, "vat": "copper"}


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1"])
def test_a_page_elsewhere_cannot_log(house: House, client: httpx.Client, origin: str) -> None:
    assert client.post("/vat/copper/journal", data=STIR, headers={"origin": origin}).status_code == 403
    assert client.post("/api/journal", json=JSON_STIR, headers={"origin": origin}).status_code == 403
    assert house.handed_in == 0


def test_a_form_must_say_where_it_comes_from(house: House) -> None:
    with httpx.Client(base_url=house.url) as bare:
        assert bare.post("/vat/copper/journal", data=STIR).status_code == 403
        assert bare.post("/api/journal", json=JSON_STIR, headers={"sec-fetch-site": "cross-site"}).status_code == 403
        assert house.handed_in == 0
        referer = {"referer": f"{house.url}/vat/copper"}
        assert bare.post("/vat/copper/journal", data=STIR, headers=referer).status_code == 303
        # A program that is no browser sends JSON without an origin.
        assert bare.post("/api/journal", json={**JSON_STIR, "entry_id": "another-one"}).status_code == 201


@pytest.mark.parametrize("path", ["/", "/vat/copper", "/api/vats", "/static/cloth.css", "/nothing"])
def test_another_name_for_this_address_is_refused(house: House, client: httpx.Client, path: str) -> None:
    assert client.get(path, headers={"host": "rebound.example"}).status_code == 421
    port = house.url.rsplit(":", 1)[1]
    assert client.get(path, headers={"host": f"localhost:{port}"}).status_code in (200, 404)


def test_too_much_is_refused_with_and_without_a_stated_length(house: House, client: httpx.Client) -> None:
    large = "x" * (BODY_MOST + 1)
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post("/vat/copper/journal", content=large, headers=headers).status_code == 413
    chunks = (b"text=" + b"x" * 4096 for _ in range(8))
    assert client.post("/vat/copper/journal", content=chunks, headers=headers).status_code == 413
    json_headers = {"content-type": "application/json"}
    chunks = (b'{"text":"' + b"x" * 4096 for _ in range(8))
    assert client.post("/api/journal", content=chunks, headers=json_headers).status_code == 413
    assert house.handed_in == 0


@pytest.mark.parametrize("kind", ["multipart/form-data; boundary=x", "text/plain", ""])
def test_other_kinds_of_body_are_refused(client: httpx.Client, kind: str) -> None:
    assert client.post("/vat/copper/journal", content=b"--x--", headers={"content-type": kind}).status_code == 415


@pytest.mark.parametrize("body", [b"\xff\xfe=\x00&&&=", b"kind=stir&" * 500, b"%zz=%", b""])
def test_broken_forms_are_answered(client: httpx.Client, body: bytes) -> None:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post("/vat/copper/journal", content=body, headers=headers).status_code in (400, 422)


@pytest.mark.parametrize("path", ["/", "/vat/copper", "/vat/nowhere", "/vat/copper/chart", "/api/vats", "/none"])
def test_every_answer_carries_the_headers(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert "server" not in answer.headers


@pytest.mark.parametrize(
    "path", ["/vat/%3Cscript%3E", "/vat/..%2f..%2fetc", "/static/../page/app.py", "/static/%2e%2e/app.py"]
)
def test_odd_paths_lead_nowhere(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "<script>" not in answer.text


def test_the_openapi_text_is_there_and_no_screen_that_loads_from_elsewhere(client: httpx.Client) -> None:
    described = client.get("/api/openapi.json").json()
    assert set(described["paths"]) == {
        "/api/vats", "/api/vats/{vat}/curve", "/api/vats/{vat}/journal", "/api/vats/{vat}/alarms", "/api/pieces",
        "/api/shed/alarms",
        "/api/journal",
    }  # fmt: skip
    assert client.get("/docs").status_code == 404


def test_loopback_has_three_names_and_a_lan_address_one() -> None:
    assert allowed_origins("http://localhost:8420") == {
        "http://localhost:8420",
        "http://127.0.0.1:8420",
        "http://[::1]:8420",
    }
    assert allowed_origins("https://Shed.example/") == {"https://shed.example"}
    with pytest.raises(ValueError, match=r"expected like http://127.0.0.1:8080"):
        allowed_origins("shed")


def test_the_server_starts_on_a_free_port_progresses_and_stops(house: House) -> None:
    async def app(scope: object, receive: object, send: object) -> None:
        raise AssertionError("nobody asks")

    server = PageServer(app, "127.0.0.1", 0)
    assert server.last_progress == 0.0
    port = server.start()
    assert port > 0
    deadline = time.monotonic() + 10
    first = server.last_progress
    while server.last_progress <= first and time.monotonic() < deadline:
        time.sleep(0.02)
    assert server.last_progress > first
    assert server.stop(10)
    assert not server.alive
    with socket.create_server(("127.0.0.1", port)):
        pass


def test_a_taken_port_is_said_in_a_sentence(house: House) -> None:
    port = int(house.url.rsplit(":", 1)[1])
    with pytest.raises(PortInUse, match=f"127.0.0.1:{port}: another program holds that port"):
        PageServer(lambda *_: None, "127.0.0.1", port).start()  # type: ignore
    with pytest.raises(PortInUse, match="Give \\[page\\] an address of this computer"):
        PageServer(lambda *_: None, "192.0.2.1", 0).start()  # type: ignore


def test_the_first_screen_is_light(house: House, client: httpx.Client) -> None:
    screen = client.get("/").content
    files = [client.get(path).content for path in _FILES]
    assert b"plotly" not in screen
    assert len(screen) + sum(map(len, files)) <= 100_000
