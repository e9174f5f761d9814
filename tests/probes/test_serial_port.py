"""The serial link on real pseudo-terminals: bytes through it, and what it says when a port cannot be used."""

from __future__ import annotations

import errno
import grp
import os
import stat
import tty
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
import serial

from vatwatch.errors import PortError
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.serial_port import SerialLink, fingerprint
from vatwatch.probes.settings import PortSettings

NOBODY = 65534


@dataclass
class Pty:
    master: int
    device: str

    def unplug(self) -> None:
        os.close(self.master)
        self.master = -1


@pytest.fixture
def pty() -> Iterator[Pty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    made = Pty(master, os.ttyname(slave))
    os.close(slave)
    yield made
    if made.master >= 0:
        made.unplug()


def settings(device: str) -> PortSettings:
    return PortSettings(
        port="shed", device=device, questions=(LineFormat(fields=("ph",)),), silent_after_s=60, probes=()
    )


def test_bytes_pass_both_ways_and_waiting_ones_can_be_discarded(pty: Pty) -> None:
    with SerialLink(settings(pty.device)) as link:
        link.write(b"R\r\n")
        assert os.read(pty.master, 9) == b"R\r\n"
        assert link.read(0.0) == b""
        os.write(pty.master, b"10.84\r\n")
        assert link.read(5.0) == b"10.84\r\n"
        os.write(pty.master, b"old" * 1000)
        link.discard_input()
        os.write(pty.master, b"new")
        assert link.read(5.0).endswith(b"new")


def test_seven_bits_with_even_parity_open_too_as_often_as_wanted_and_know_a_break(pty: Pty) -> None:
    for _ in range(3):
        with SerialLink(replace(settings(pty.device), baud=1200, bytesize=7, parity="E")) as link:
            link.send_break()
            os.write(pty.master, b"0\r\n")
            assert link.read(5.0) == b"0\r\n"
            assert link.baud == 1200


def test_a_break_on_a_lost_port_is_a_lost_port(pty: Pty) -> None:
    with SerialLink(settings(pty.device)) as link:
        pty.unplug()
        with pytest.raises(PortError, match="is gone"):
            link.send_break()


def test_a_pulled_cable_is_an_error_to_act_on_when_reading_and_when_writing(pty: Pty) -> None:
    with SerialLink(settings(pty.device)) as link:
        pty.unplug()
        with pytest.raises(PortError, match="is gone; was the cable pulled"):
            link.read(5.0)
        with pytest.raises(PortError, match="is gone; was the cable pulled"):
            link.write(b"R\r\n")
        link.close()
        with pytest.raises(PortError):
            link.read(0.1)


def test_a_device_that_takes_no_bytes_is_named_so(pty: Pty) -> None:
    with SerialLink(settings(pty.device)) as link, pytest.raises(PortError, match="takes no more bytes"):
        link.write(b"R\r\n" * 100_000)


def test_a_port_held_by_another_program_is_named_so_and_comes_free(pty: Pty) -> None:
    other = serial.Serial(pty.device, exclusive=True)
    with pytest.raises(PortError, match="in use by another program"):
        SerialLink(settings(pty.device))
    other.close()
    SerialLink(settings(pty.device)).close()


@pytest.mark.parametrize("device", ["/dev/serial/by-id/no-such-adapter", "/etc/hostname/below"])
def test_an_absent_device_is_named_so(device: str) -> None:
    with pytest.raises(PortError, match=r"is not there; is the adapter plugged in"):
        SerialLink(settings(device))
    assert fingerprint(device) is None


@pytest.mark.parametrize("device", ["/dev/null", "/tmp"])  # noqa: S108 - a directory that is always there
def test_what_is_no_serial_port_is_named_so(device: str) -> None:
    with pytest.raises(PortError, match="is not a serial port"):
        SerialLink(settings(device))


def open_as_plain_user(device: str) -> str:
    """Message of the refusal; root is let through everywhere, so it steps down for the moment of opening."""
    if os.geteuid() != 0:
        with pytest.raises(PortError) as refused:
            SerialLink(settings(device))
        return str(refused.value)
    groups = os.getgroups()
    os.setgroups([])
    os.seteuid(NOBODY)
    try:
        with pytest.raises(PortError) as refused:
            SerialLink(settings(device))
    finally:
        os.seteuid(0)
        os.setgroups(groups)
    return str(refused.value)


def test_a_port_closed_to_this_user_asks_for_a_rule(pty: Pty) -> None:
    os.chmod(pty.device, 0)  # noqa: PTH101
    message = open_as_plain_user(pty.device)
    assert "is closed to user" in message
    assert "mode 0000" in message
    assert 'GROUP="dialout"' in message


def test_a_port_open_to_a_group_names_the_group_and_how_to_join(pty: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() == 0:
        os.chown(pty.device, 0, grp.getgrnam("dialout").gr_gid)
        os.chmod(pty.device, 0o660)  # noqa: PTH101
    else:
        # Only root can give a device to a group this user is not in: the device's ownership is put in place instead.
        dialout = os.stat_result((stat.S_IFCHR | 0o660, 1, 1, 1, 0, grp.getgrnam("dialout").gr_gid, 0, 0, 0, 0))
        os.chmod(pty.device, 0)  # noqa: PTH101
        monkeypatch.setattr("os.stat", lambda *_: dialout)
    message = open_as_plain_user(pty.device)
    monkeypatch.undo()
    assert "open to the group 'dialout' only" in message
    assert "usermod -aG dialout" in message
    assert "SupplementaryGroups=dialout" in message


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (serial.SerialException(errno.EPERM, "no"), "DeviceAllow"),
        (serial.SerialException(errno.EIO, "no"), "pull the adapter out"),
        (serial.SerialException(errno.EBUSY, "no"), "in use by another program"),
        (ValueError("Invalid baud rate: 7"), "cannot run at 9600 8N1"),
        (serial.SerialException("something new"), "cannot be opened at 9600 8N1: something new"),
    ],
)
def test_rarer_refusals_of_the_system_say_what_to_do(
    monkeypatch: pytest.MonkeyPatch, error: Exception, message: str
) -> None:
    """No adapter that fails in these ways is at hand in a test, so the system's answer is put in its place."""

    def refuse(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("serial.Serial", refuse)
    with pytest.raises(PortError, match=message):
        SerialLink(settings("/dev/ttyUSB0"))


def test_the_fingerprint_changes_when_permissions_do(pty: Pty) -> None:
    before = fingerprint(pty.device)
    os.chmod(pty.device, 0o600 if Path(pty.device).stat().st_mode & 0o020 else 0o620)  # noqa: PTH101
    assert fingerprint(pty.device) not in (None, before)
