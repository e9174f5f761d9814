"""The settings file's port tables of three protocols: what they become, and what is said about mistakes."""

from __future__ import annotations

import tomllib

import pytest

from vatwatch.assembly import port_settings
from vatwatch.config import check_config
from vatwatch.errors import ConfigError
from vatwatch.probes.modbus import ModbusQuestion, NumberType, WordOrder
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.settings import PortSettings

VAT = '[vat.tub]\nchemistry = "hydrosulfite"\n'
PROBE = '[probe.glass]\nvat = "tub"\nport = "left"\nfield = "ph"\nsignal = "ph"\n'
PORT = '[port.left]\ndevice = "/dev/x"\n'


def port(text: str) -> PortSettings:
    (built,) = port_settings(check_config(tomllib.loads(VAT + PROBE + PORT + text), "shed.toml"), "shed.toml")
    return built


def mistake(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        port(text)
    return str(caught.value)


def test_an_sdi12_table_becomes_a_question_at_the_standard_s_speed() -> None:
    built = port('[[port.left.sdi12]]\naddress = "3"\ncommand = "C1"\nfields = ["orp", "-", "ph"]\n')
    assert built.questions == (Sdi12Question(address="3", command="C1", crc=True, fields=("orp", "-", "ph")),)
    assert built.wire == "1200 7E1"
    assert built.asks
    assert built.is_text


def test_an_adapter_with_a_speed_of_its_own_keeps_it() -> None:
    text = 'baud = 9600\nbytesize = 8\nparity = "N"\n[[port.left.sdi12]]\naddress = "0"\nfields = ["ph"]\n'
    assert port(text).wire == "9600 8N1"


@pytest.mark.parametrize(
    "place", ["register_number = 40108", "register_address = 107\nfunction = 3"], ids=["data sheet", "zero-based"]
)
def test_a_modbus_table_names_its_register_either_way(place: str) -> None:
    built = port(
        f'[[port.left.modbus]]\nfield = "ph"\nunit = 17\n{place}\ntype = "int32"\nword_order = "CDAB"\nscale = 0.01\n'
        '[[port.left.modbus]]\nfield = "spare"\nunit = 18\nregister_number = 30001\n'
    )
    assert built.questions == (
        ModbusQuestion(
            field="ph", unit=17, address=107, function=3, type=NumberType.INT32, order=WordOrder.CDAB, scale=0.01,
            plausible=(-2.0, 16.0),
        ),
        ModbusQuestion(field="spare", unit=18, address=0, function=4),
    )  # fmt: skip
    assert built.wire == "9600 8N1"
    assert not built.is_text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "table [port.left]: none of line, sdi12 and modbus tables given; expected one kind"),
        (
            '[[port.left.line]]\nfields = ["ph"]\n[[port.left.sdi12]]\naddress = "0"\nfields = ["ph"]\n',
            "both line and sdi12 of line, sdi12 and modbus",
        ),
        ('[[port.left.sdi12]]\naddress = 0\nfields = ["ph"]\n', "key address: given 0, expected a valid string"),
        ('[[port.left.sdi12]]\naddress = "0"\ncommand = "X"\nfields = ["ph"]\n', 'key command: given "X"'),
        ('[[port.left.sdi12]]\naddress = "0"\nfields = ["ph", "ph"]\n', "names a value twice"),
        ('[[port.left.sdi12]]\naddress = "0"\nfield = ["ph"]\n', "unknown key field (did you mean fields?)"),
        ('[[port.left.modbus]]\nfield = "ph"\nunit = 1\n', "exactly one of register_number"),
        (
            '[[port.left.modbus]]\nfield = "ph"\nunit = 1\nregister_address = 0\n',
            "give function (3 or 4) with register_address",
        ),
        (
            '[[port.left.modbus]]\nfield = "ph"\nunit = 1\nregister_number = 40001\nfunction = 4\n',
            "leave it out with register_number",
        ),
        ('[[port.left.modbus]]\nfield = "ph"\nunit = 1\nregister_number = 7\n', "register_number is 7"),
        ('[[port.left.modbus]]\nfield = "ph"\nunit = 300\nregister_number = 40001\n', "key unit: given 300"),
        (
            '[[port.left.modbus]]\nfield = "ph"\nunit = 1\nregister_number = 40001\ntype = "float"\n',
            "'float32'",
        ),
        ('[[port.left.modbus]]\nfield = "orp"\nunit = 1\nregister_number = 40001\n', "field is 'ph', which port left"),
    ],
)  # fmt: skip
def test_a_mistake_names_table_key_and_what_is_expected(text: str, said: str) -> None:
    message = mistake(text)
    assert said in message
    assert message.startswith("shed.toml, table [port.left")
