"""Four secrets with a word in them that stands nowhere else: whatever the program writes or says, the word is not in it.

The canary sits in a broker's password, a database's token, a phone's address and the page's passphrase. Peers refuse it,
take it, and are away, since what is said of a failure is where a secret slips out.
"""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from tests.end_to_end.shed import Shed
from tests.services import HOST, Answer, HttpReceiver, Mosquitto, free_port, retained_tree, wait_until
from vatwatch.config import check_config
from vatwatch.errors import ConfigError
from vatwatch.page.passphrase import hash_passphrase, write_passphrase

CANARY = "kanarienvogel"
PAGES = (
    "/",
    "/vat/tub",
    "/vat/tub/chart",
    "/login",
    "/messages",
    "/api/vats",
    "/api/vats/tub/journal",
    "/openapi.json",
)


def secret(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text + "\n", encoding="utf-8")
    path.chmod(0o600)
    return path


def everything_written(folder: Path, leave_out: set[Path]) -> dict[str, bytes]:
    return {
        str(p): p.read_bytes() for p in folder.rglob("*") if p.is_file() and p not in leave_out and not p.is_symlink()
    }


@pytest.mark.parametrize("peers", ["take it", "refuse it", pytest.param("are away", marks=pytest.mark.long)])
def test_the_canary_is_nowhere(peers: str, tmp_path: Path) -> None:
    word = CANARY if peers == "take it" else f"{CANARY}-wrong"
    status = 200 if peers == "take it" else 401
    with (
        Mosquitto(user=("vatwatch", CANARY)) as broker,
        HttpReceiver(lambda _: Answer(status if peers != "take it" else 204)) as database,
        HttpReceiver(lambda _: Answer(status)) as phone,
    ):
        away = peers == "are away"
        ports = [free_port() if away else one for one in (broker.port, database.port, phone.port)]
        files = {
            "mqtt": secret(tmp_path, "mqtt-password", word),
            "influx": secret(tmp_path, "influx-token", word),
            "phone": secret(tmp_path, "phone-url", f"json://user:{word}@{HOST}:{ports[2]}/{word}?+X-Key={word}"),
        }
        passphrase = tmp_path / "page-passphrase"
        write_passphrase(passphrase, hash_passphrase(f"{CANARY} in a cage"))
        extra = f"""
[mqtt]
host = "{HOST}"
port = {ports[0]}
username = "vatwatch"
password_file = "mqtt-password"

[influx]
url = "http://{HOST}:{ports[1]}"
org = "shed"
bucket = "vats"
token_file = "influx-token"

[phone.pocket]
url_file = "phone-url"
"""
        with Shed(tmp_path, extra) as shed:
            text = shed.config.read_text(encoding="utf-8")
            shed.config.write_text(
                text.replace("[page]", '[page]\nguests = true\npassphrase_file = "page-passphrase"'), "utf-8"
            )
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(3)
            shed.set_liquor("9.00 -700.0 30.00")
            with shed.reader() as reader:

                def tried() -> bool:
                    known = [reader.delivery(name, stream) for name, stream in reached]
                    return all(one.delivered or one.last_error for one in known)

                from vatwatch.terms import Stream

                reached = [("influxdb", Stream.SCANS), ("phone-pocket", Stream.PUSHES), ("mqtt", Stream.SCANS)]
                wait_until(tried, "every peer was tried", 40)
                errors = [reader.delivery(name, stream).last_error for name, stream in reached]
            assert all(errors) == (peers != "take it"), errors

            said: dict[str, bytes] = {}
            with httpx.Client(base_url=f"http://{HOST}:{shed.page_port}") as browser:
                for page in PAGES:
                    answer = browser.get(page, follow_redirects=True)
                    said[f"page {page} ({answer.status_code})"] = answer.content + repr(answer.headers).encode()
                wrong = browser.post("/login", data={"passphrase": "not the word"})
                said["page, a wrong passphrase"] = wrong.content
            for command in (
                ("check",), ("check", "--push"), ("now", "--why"), ("address",), ("backup", str(tmp_path / "copy.db")),
                ("review", "--to", str(tmp_path / "review.html")),
            ):  # fmt: skip
                done = shed.run(*command)
                said[" ".join(command)] = (done.stdout + done.stderr).encode()
            assert "written and checked" in said[f"backup {tmp_path / 'copy.db'}"].decode()
            if peers == "take it":
                assert any(CANARY in str(heard.headers) + heard.path for heard in phone.heard), "the phone got it"
                assert any(CANARY in str(heard.headers) for heard in database.heard), "the database got it"
            assert shed.stop() == 0
            written = everything_written(tmp_path, {*files.values(), passphrase})
            assert str(shed.store_path) in written
            assert str(tmp_path / "copy.db") in written
            assert str(shed.log) in written
        found = [where for where, content in (said | written).items() if CANARY.encode() in content]
        assert found == [], f"the canary sings in {found}"
        digest = passphrase.read_bytes().rsplit(b"$", 1)[1].strip()
        assert not [where for where, content in (said | written).items() if digest in content], "nor the hash"
        assert sum("(200)" in where for where in said) >= 6, list(said)


def test_nothing_retained_at_a_broker_holds_the_canary(tmp_path: Path) -> None:
    with Mosquitto() as broker:
        secret(tmp_path, "mqtt-password", CANARY)
        extra = f'[mqtt]\nhost = "{HOST}"\nport = {broker.port}\nusername = "u"\npassword_file = "mqtt-password"\n'
        with Shed(tmp_path, extra) as shed:
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(2)

            def tree() -> dict[str, str]:
                with retained_tree(broker.port, "#") as found:
                    return dict(found)

            wait_until(lambda: tree().get("homie/5/test-shed/$state") == "ready", "the shed announced", 20)
            assert CANARY not in str(tree())


@pytest.mark.parametrize(
    "raw",
    [
        {"mqtt": {"host": "h", "password": CANARY}},
        {"mqtt": {"host": f"u:{CANARY}@h"}},
        {"influx": {"url": f"http://u:{CANARY}@h", "org": "o", "bucket": "b"}},
        {"influx": {"url": "http://h", "org": "o", "bucket": "b", "token": CANARY}},
        {"phone": {"p": {"url": [CANARY]}}},
        {"phone": {"p": {"url": CANARY, "url_file": "x"}}},
        {"page": {"passphrase": CANARY}},
        {"page": {"address": f"https://u:{CANARY}@h/"}},
    ],
)
def test_a_secret_put_into_the_settings_file_is_not_repeated_by_the_message(raw: dict[str, object]) -> None:
    with pytest.raises(ConfigError) as refused:
        check_config({"vat": {"tub": {"chemistry": "woad"}}, **raw}, "shed.toml")
    assert CANARY not in str(refused.value)
    assert "shed.toml, table [" in str(refused.value)
