"""Visitors who send nonsense, too much, too slowly or half: refused, and the page answers everybody else as before."""

from __future__ import annotations

import socket
import time
from contextlib import ExitStack

import httpx
import pytest

from tests.page.house import NOW_MS, House, scan_of
from vatwatch.page import guard, server


@pytest.fixture(autouse=True)
def unharmed(house: House) -> object:
    """After whatever a test did, the page still says what it said."""
    house.writer.scans(scan_of("copper", NOW_MS - 4000))
    yield
    answer = httpx.get(house.url, timeout=5)
    assert answer.status_code == 200
    assert "Ready to dye." in answer.text
    assert house.server.alive
    assert house.handed_in == 0


def raw(house: House, request: bytes, within_s: float = 10.0) -> bytes:
    """What a bare socket gets back, to the end."""
    port = int(house.url.rsplit(":", 1)[1])
    with socket.create_connection(("127.0.0.1", port), timeout=within_s) as connection:
        connection.sendall(request.replace(b"HOST", f"127.0.0.1:{port}".encode()))
        got = b""
        try:
            while chunk := connection.recv(65536):
                got += chunk
                if b"\r\n\r\n" in got and b"connection: close" not in got.lower():
                    break
        except ConnectionResetError:
            pass
        return got


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"\x00\x01\x02\x03\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost HOST\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: HOST\r\nX: " + b"y" * 1_000_000 + b"\r\n\r\n",
        b"POST /api/journal HTTP/1.1\r\nHost: HOST\r\nContent-Length: -5\r\n\r\n",
        b"POST /api/journal HTTP/1.1\r\nHost: HOST\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n",
        b"POST /api/journal HTTP/1.1\r\nHost: HOST\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ],
)
def test_what_is_no_request_is_refused(house: House, request_bytes: bytes) -> None:
    got = raw(house, request_bytes)
    assert got == b"" or got.split(b" ")[1][:1] == b"4"


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/..%5capp.py", "/static//etc/passwd", "/static/%00"],
)
def test_no_path_leads_out_of_the_static_files(house: House, path: str) -> None:
    got = raw(house, f"GET {path} HTTP/1.1\r\nHost: HOST\r\nConnection: close\r\n\r\n".encode())
    assert b" 404 " in got.splitlines()[0]
    assert b"create_app" not in got
    assert b"root:" not in got


@pytest.mark.parametrize("name", ["x%0d%0aSet-Cookie:%20a=1", "%0d%0a%0d%0a<b>", "a%00b", "%ff%fe", "%ed%a0%80"])
def test_nothing_sent_ends_up_in_a_header(house: House, name: str) -> None:
    for request in (f"GET /vat/{name}", f"GET /piece?name={name}", f"GET /login?next={name}"):
        got = raw(house, f"{request} HTTP/1.1\r\nHost: HOST\r\nConnection: close\r\n\r\n".encode())
        head = got.split(b"\r\n\r\n")[0].lower()
        assert b"set-cookie" not in head
        assert got.split(b" ")[1] in (b"303", b"404", b"422")


def test_an_address_without_end_is_refused(house: House) -> None:
    assert httpx.get(f"{house.url}/vat/{'x' * 4000}").status_code == 414


@pytest.mark.parametrize(
    "body",
    [b"", b"null", b"[]", b"{", b'"' + b"\\ud800" + b'"', b"{" * 4000, b'{"vat":' * 1500, b"1e999999", b"\xff" * 64],
)
def test_malformed_json_is_refused(house: House, body: bytes) -> None:
    headers = {"content-type": "application/json"}
    answer = httpx.post(f"{house.url}/api/journal", content=body, headers=headers)
    assert answer.status_code in (400, 422)
    assert "detail" in answer.json()


def test_half_a_character_is_refused_where_it_would_reach_the_journal(house: House) -> None:
    text = '{"entry_id":"12345678","vat":"copper","kind":"note","text":"\\ud800"}'
    headers = {"content-type": "application/json"}
    answer = httpx.post(f"{house.url}/api/journal", content=text.encode(), headers=headers)
    assert answer.status_code == 422


def test_a_request_that_never_comes_whole_is_given_up(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "REQUEST_WITHIN_S", 0.3)
    port = int(house.url.rsplit(":", 1)[1])
    with ExitStack() as stack:
        idlers = [stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=10)) for _ in range(60)]
        for number, idler in enumerate(idlers):
            if number % 2:
                idler.sendall(b"GET / HTTP/1.1\r\nHos")
        began = time.monotonic()
        assert httpx.get(house.url, timeout=5).status_code == 200
        assert [idler.recv(1) for idler in idlers] == [b""] * 60
        assert time.monotonic() - began < 5


def test_a_body_that_never_comes_whole_is_given_up(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_WITHIN_S", 0.3)
    for path, kind in (
        (b"/api/journal", b"application/json"),
        (b"/vat/copper/journal", b"application/x-www-form-urlencoded"),
        (b"/login", b"application/x-www-form-urlencoded"),
    ):
        got = raw(
            house,
            b"POST " + path + b" HTTP/1.1\r\nHost: HOST\r\nOrigin: http://HOST\r\nContent-Type: " + kind
            + b"\r\nContent-Length: 500\r\n\r\nk",
        )  # fmt: skip
        assert b" 408 " in got.splitlines()[0]


def test_a_connection_that_breaks_off_is_nothing(house: House) -> None:
    port = int(house.url.rsplit(":", 1)[1])
    for sent in (
        b"",
        b"G",
        b"POST /api/journal HTTP/1.1\r\nHost: x\r\nContent-Length: 99\r\n\r\n{",
        b"GET /live HTTP/1.1\r\n",
    ):
        with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
            connection.sendall(sent)
