"""The passphrase, sessions, forged forms, guests, and the page on a local network."""

from __future__ import annotations

import logging
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from tests.page.house import CARDS, NOW_MS, STALE_AFTER_MS, House, Writer, free_port, scan_of
from vatwatch.cli import app as commands
from vatwatch.errors import ConfigError, VatwatchError
from vatwatch.page import door as door_module
from vatwatch.page.address import is_loopback, origin_of, page_url, qr_text
from vatwatch.page.app import create_app
from vatwatch.page.door import TRIES_EACH, TRIES_SPAN_S, Door, Tries, local_path
from vatwatch.page.guard import Reached
from vatwatch.page.passphrase import PassphraseHash, hash_passphrase, read_passphrase, write_passphrase
from vatwatch.page.server import PageServer

WORDS = "three blue herons"
HASHED = hash_passphrase(WORDS, n=2**6)


def served(tmp_path: Path, guests: bool) -> Iterator[House]:
    path = tmp_path / "season.vatwatch"
    writer = Writer(path, CARDS, NOW_MS - 86_400_000)
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    built = House(writer, path, url, None)  # type: ignore[arg-type]
    app = create_app(
        built.reader, built.submit, built.clock, "Europe/Berlin", STALE_AFTER_MS, f"http://0.0.0.0:{port}",
        passphrase=HASHED, guests=guests,
    )  # fmt: skip
    built.server = PageServer(app, "127.0.0.1", port, app.close)
    writer.committed = app.ring
    writer.scans(scan_of("copper", NOW_MS - 4000))
    try:
        built.server.start()
        yield built
    finally:
        built.server.stop(10)
        writer.stop()


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[House]:
    yield from served(tmp_path, False)


@pytest.fixture
def with_guests(tmp_path: Path) -> Iterator[House]:
    yield from served(tmp_path, True)


def visitor(house: House) -> httpx.Client:
    return httpx.Client(base_url=house.url, headers={"origin": house.url}, timeout=20)


def log_in(client: httpx.Client) -> str:
    """Log in and give the token the screens then carry."""
    answer = client.post("/login", data={"passphrase": WORDS, "next": "/vat/copper"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/vat/copper")
    [token] = re.findall(r'name="vatwatch-token" content="(\w{64})"', client.get("/").text)
    return str(token)


def stir(**fields: str) -> dict[str, str]:
    return {"kind": "stir", "entry_id": uuid4().hex, **fields}


@pytest.mark.parametrize(
    "path", ["/", "/vat/copper", "/pieces", "/piece?name=x", "/messages", "/vat/copper/chart?span=week"]
)
def test_without_a_session_every_screen_is_the_log_in(locked: House, path: str) -> None:
    with visitor(locked) as client:
        answer = client.get(path)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/login?next=%2F")
        assert "Copper" not in client.get(answer.headers["location"]).text


@pytest.mark.parametrize("path", ["/api/vats", "/api/openapi.json", "/live", "/api/pieces"])
def test_without_a_session_no_program_is_answered(locked: House, path: str) -> None:
    with visitor(locked) as client:
        assert client.get(path).status_code == 401


def test_without_a_session_nothing_is_written(locked: House) -> None:
    with visitor(locked) as client:
        assert client.post("/vat/copper/journal", data=stir()).status_code == 401
        body = {**stir(), "vat": "copper"}
        assert client.post("/api/journal", json=body).status_code == 401
        alarm = {"alarm": "overheat", "verb": "acknowledge", "action_id": uuid4().hex}
        assert client.post("/vat/copper/alarm", data=alarm).status_code == 401
    assert locked.handed_in == 0


def test_whoever_gives_the_passphrase_writes(locked: House) -> None:
    with visitor(locked) as client:
        token = log_in(client)
        [cookie] = list(client.cookies.jar)
        assert cookie.has_nonstandard_attr("HttpOnly")
        assert cookie.get_nonstandard_attr("SameSite") == "lax"
        assert client.post("/vat/copper/journal", data=stir(csrf=token)).status_code == 303
        headers = {"x-vatwatch-token": token}
        assert client.post("/api/journal", json={**stir(), "vat": "copper"}, headers=headers).status_code == 201
        assert client.get("/login").status_code == 303
    assert len(locked.journal()) == 2


@pytest.mark.parametrize("forged", ["", "0", "f" * 64, "é"])
def test_a_forged_form_is_refused(locked: House, forged: str) -> None:
    with visitor(locked) as client:
        token = log_in(client)
        with visitor(locked) as other:
            elsewhere = log_in(other)
        for wrong in (forged, elsewhere, token[:-1]):
            answer = client.post("/vat/copper/journal", data=stir(csrf=wrong))
            assert (answer.status_code, "does not belong to this session" in answer.text) == (403, True)
            headers = [(b"x-vatwatch-token", wrong.encode("utf-8"))]
            assert client.post("/api/journal", json={**stir(), "vat": "copper"}, headers=headers).status_code == 403
    assert locked.handed_in == 0


def test_a_forged_cookie_is_nobody(locked: House) -> None:
    with visitor(locked) as client:
        log_in(client)
        [good] = client.cookies.values()
    issued, nonce, signature = good.split(".")
    for wrong in (
        f"{int(issued) + 1}.{nonce}.{signature}", f"{issued}.x{nonce}.{signature}", f"{issued}.{nonce}.{'0' * 64}",
        "..", "", "a.b", f"{issued}.{nonce}.", '"; HttpOnly', "\xff",
    ):  # fmt: skip
        header = b"vatwatch=" + wrong.encode("latin-1")
        assert httpx.get(f"{locked.url}/api/vats", headers=[(b"cookie", header)]).status_code == 401
    assert httpx.get(f"{locked.url}/api/vats", headers={"cookie": f"vatwatch={good}"}).status_code == 200


def test_a_session_ends_by_itself_and_by_logging_out(locked: House, monkeypatch: pytest.MonkeyPatch) -> None:
    with visitor(locked) as client:
        token = log_in(client)
        [cookie] = client.cookies.values()
        assert client.post("/logout", data={"csrf": "x"}).status_code == 403
        assert client.post("/logout", data={"csrf": token}).status_code == 303
        assert "vatwatch" not in client.cookies
        assert client.get("/api/vats", headers={"cookie": f"vatwatch={cookie}"}).status_code == 401
        log_in(client)
        monkeypatch.setattr(door_module, "SESSION_S", -1)
        assert client.get("/api/vats").status_code == 401


def test_a_session_outlives_the_daemon_but_not_the_passphrase() -> None:
    session = Door(HASHED).try_in(WORDS)
    assert session is not None
    again = Door(PassphraseHash(HASHED.n, HASHED.r, HASHED.p, HASHED.salt, HASHED.digest)).visitor(session)
    assert again is not None
    assert again.may_write
    assert Door(hash_passphrase(WORDS, n=2**6)).visitor(session) is None


def test_trying_is_limited_and_logged_without_the_passphrase(locked: House, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    with visitor(locked) as client:
        for _ in range(TRIES_EACH):
            assert client.post("/login", data={"passphrase": "three red herons"}).status_code == 403
        answer = client.post("/login", data={"passphrase": WORDS})
        assert answer.status_code == 429
        assert int(answer.headers["retry-after"]) <= TRIES_SPAN_S
        assert "Too many tries. Wait" in answer.text
    said = caplog.text
    assert "not the passphrase" in said
    assert "too many tries" in said
    assert "herons" not in said


def test_tries_are_forgotten_after_a_minute_and_limited_for_all_together() -> None:
    now = 100.0
    tries = Tries(lambda: now)
    assert [tries.wait_s("a") for _ in range(6)] == [0, 0, 0, 0, 0, TRIES_SPAN_S]
    assert [tries.wait_s(f"b{number}") for number in range(16)] == [0] * 15 + [TRIES_SPAN_S]
    now += TRIES_SPAN_S + 0.1
    assert tries.wait_s("a") == 0


def test_guests_look_and_do_not_write(with_guests: House) -> None:
    with visitor(with_guests) as client:
        for path in ("/", "/vat/copper", "/pieces", "/messages", "/vat/copper/chart"):
            screen = client.get(path)
            assert screen.status_code == 200
            assert "<form" not in screen.text
            assert "Log in to write" in screen.text
        assert client.get("/api/vats").status_code == 200
        assert client.post("/vat/copper/journal", data=stir()).status_code == 401
        assert client.post("/api/journal", json={**stir(), "vat": "copper"}).status_code == 401
        with client.stream("GET", "/live?vat=copper") as answer:
            drawn = next(line for line in answer.iter_lines() if line.startswith("data: "))
        assert "Ready to dye" in drawn
        assert "<form" not in drawn
        token = log_in(client)
        assert client.post("/vat/copper/journal", data=stir(csrf=token)).status_code == 303
    assert with_guests.handed_in == 1


@pytest.mark.parametrize(
    "wanted",
    ["//evil.example/", "https://evil.example", "/\\evil", "/a\r\nSet-Cookie: x=1", "javascript:alert(1)", "", "\t//e"],
)
def test_logging_in_leads_nowhere_else(locked: House, wanted: str) -> None:
    assert local_path(wanted) == "/"
    with visitor(locked) as client:
        answer = client.post("/login", data={"passphrase": WORDS, "next": wanted})
        assert answer.headers["location"] == "/"
        assert "x" not in answer.cookies


@given(st.text(max_size=80))
def test_wherever_it_leads_is_a_path_of_ours(wanted: str) -> None:
    path = local_path(wanted)
    assert path.startswith("/")
    assert not path.startswith(("//", "/\\"))
    assert path.isascii()
    assert not any(ord(char) < 33 for char in path)


def test_by_number_address_only(locked: House) -> None:
    port = locked.url.rsplit(":", 1)[1]
    for host in (f"127.0.0.1:{port}", f"192.168.1.20:{port}", f"[fe80::1]:{port}", f"localhost:{port}"):
        assert httpx.get(f"{locked.url}/login", headers={"host": host}).status_code == 200
    for host in (f"rebound.example:{port}", "192.168.1.20", "192.168.1.20:1", "", f"[::1:{port}"):
        assert httpx.get(f"{locked.url}/login", headers={"host": host}).status_code in (400, 421)
    reached = Reached(["http://0.0.0.0:8417", "http://shed.lan:8417"])
    assert reached.allows("http://192.168.1.20:8417", "192.168.1.20:8417")
    assert not reached.allows("http://192.168.1.21:8417", "192.168.1.20:8417")
    assert reached.allows("http://shed.lan:8417", "shed.lan:8417")


def test_the_hash_goes_through_a_file_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "passphrase"
    write_passphrase(path, HASHED)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert WORDS not in path.read_text()
    again = read_passphrase(path)
    assert again == HASHED
    assert again.matches(WORDS)
    assert not again.matches("three red herons")
    assert "digest" not in repr(again)


@pytest.mark.parametrize("text", ["", "scrypt", "scrypt$n=3,r=8,p=1$" + "A" * 24 + "$" + "A" * 44, "é", "x" * 300])
def test_a_file_that_holds_no_hash_is_said_to(tmp_path: Path, text: str) -> None:
    path = tmp_path / "passphrase"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="vatwatch passphrase"):
        read_passphrase(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_passphrase(tmp_path / "none")


@pytest.mark.parametrize("passphrase", ["short", "x" * 201])
def test_a_passphrase_has_a_length(passphrase: str) -> None:
    with pytest.raises(VatwatchError, match="8 to 200"):
        hash_passphrase(passphrase)


def test_the_command_writes_the_hash(tmp_path: Path) -> None:
    path = tmp_path / "passphrase"
    said = CliRunner().invoke(commands, ["passphrase", "--to", str(path)], input=f"{WORDS}\n{WORDS}\n")
    assert said.exit_code == 0
    assert WORDS not in said.output
    assert read_passphrase(path).matches(WORDS)


def test_the_command_says_where_the_page_is(tmp_path: Path) -> None:
    config = tmp_path / "vatwatch.toml"
    vat = '[vat.tub]\nchemistry = "fructose-lime"\n'
    config.write_text(vat)
    said = CliRunner().invoke(commands, ["address", "-c", str(config)])
    assert "http://127.0.0.1:8417" in said.output
    assert "Only this computer can open it" in said.output
    config.write_text(f'{vat}[page]\nhost = "0.0.0.0"\npassphrase_file = "x"\naddress = "http://shed.lan:8417"\n')
    said = CliRunner().invoke(commands, ["address", "-c", str(config)])
    assert said.output.startswith("http://shed.lan:8417\n")
    assert "▄" in said.output
    config.write_text(f'{vat}[page]\nhost = "192.168.1.20"\n')
    said = CliRunner().invoke(commands, ["address", "-c", str(config)])
    assert isinstance(said.exception, ConfigError)
    assert "vatwatch passphrase" in str(said.exception)


def test_addresses() -> None:
    assert is_loopback("127.0.0.9")
    assert is_loopback("::1")
    assert not is_loopback("192.168.1.20")
    assert not is_loopback("shed.lan")
    assert page_url("::1", 80) == "http://[::1]:80"
    assert re.fullmatch(r"http://\d+\.\d+\.\d+\.\d+:8417", page_url("0.0.0.0", 8417))  # noqa: S104
    assert origin_of("https://shed.example/vats?x=1") == "https://shed.example"
    with pytest.raises(ValueError, match="expected a web address"):
        origin_of("shed")
    assert len(qr_text("http://192.168.1.20:8417").splitlines()) > 12
