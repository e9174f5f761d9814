"""A first settings file from what a person answered: TOML with its explanations beside it. Text only; writes no file."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.commissioning import port_table, quoted
from vatwatch.probes.survey import Found
from vatwatch.terms import Quantity, Signal
from vatwatch.vat.recipes import RECIPES, Chemistry, Fibre

_PART = {Quantity.PH: "ph", Quantity.ORP: "orp", Quantity.TEMPERATURE: "temperature"}


@dataclass(frozen=True, slots=True)
class VatAnswer:
    """One vat as it was described. `short` is its name in commands, tables and topics."""

    short: str
    name: str
    chemistry: Chemistry
    fibre: Fibre
    volume_l: float | None
    warmed: bool


@dataclass(frozen=True, slots=True)
class ProbeAnswer:
    """One number of a port: what it is, and which vat it is read from (None: none yet). `example` is what was heard."""

    vat: str | None
    field: str
    signal: Signal
    example: float
    reference: ReferenceElectrode | None = None


@dataclass(frozen=True, slots=True)
class PortAnswer:
    name: str
    found: Found
    probes: tuple[ProbeAnswer, ...]


@dataclass(frozen=True, slots=True)
class BrokerAnswer:
    host: str
    port: int
    username: str | None
    password_file: str | None


@dataclass(frozen=True, slots=True)
class Answers:
    """All of it. Files are named as the settings will name them; what is None or empty stays switched off."""

    site_name: str
    timezone: str
    data: str
    vats: tuple[VatAnswer, ...]
    ports: tuple[PortAnswer, ...] = ()
    phone_url_file: str | None = None
    broker: BrokerAnswer | None = None
    passphrase_file: str | None = None


def short_name(text: str, taken: Collection[str], otherwise: str) -> str:
    """A short name of small letters, digits and hyphens for what people call a thing, none of those `taken`."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    words = "".join(letter if letter.isalnum() else " " for letter in plain).split()
    made = first = "-".join(words)[:14].strip("-") or otherwise
    number = 1
    while made in taken:
        number += 1
        made = f"{first}-{number}"
    return made


def settings_text(answers: Answers) -> str:
    """The whole file. It loads as it is."""
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: Answers) -> Iterator[str]:
    yield "# Settings of vatwatch, written by `vatwatch setup`. Yours to change: `vatwatch check` says what is wrong with it."
    yield "# A line that begins with # is explanation, or a setting that is switched off. Every key: DEVELOPERS.md."
    yield ""
    yield "[site]"
    yield f"id = {quoted(short_name(answers.site_name, (), 'shed'))}"
    yield f"name = {quoted(answers.site_name)}"
    yield f"timezone = {quoted(answers.timezone)}"
    yield f"data = {quoted(answers.data)}  # where the record is kept; a path without / in front is meant from this file"
    for vat in answers.vats:
        yield from _vat(vat)
    named: set[str] = set()
    for port in answers.ports:
        yield from _port(port, named)
    if not any(probe.vat for port in answers.ports for probe in port.probes):
        yield ""
        yield "# No probe yet. Plug one in; `vatwatch ports` prints its tables, to be put here."
    yield from _outlets(answers)


def _vat(vat: VatAnswer) -> Iterator[str]:
    recipe = RECIPES[vat.chemistry]
    usual = recipe.ph_window(vat.fibre)
    yield ""
    yield f"[vat.{vat.short}]"
    yield f"name = {quoted(vat.name)}"
    yield f"chemistry = {quoted(vat.chemistry.value)}  # {', '.join(Chemistry)}"
    yield f"fibre = {quoted(vat.fibre.value)}  # cellulose or protein"
    if vat.volume_l is None:
        yield "#volume_l = 60  # litres of liquor; without it no amounts are suggested"
    else:
        yield f"volume_l = {vat.volume_l:g}"
    yield f"warmed = {str(vat.warmed).lower()}  # true when a heater works in or under it"
    yield ""
    yield "# Your own limits. What is switched off here is what this chemistry usually has."
    yield f"[vat.{vat.short}.window]"
    if usual is not None:
        low, high = (ph_equivalent_25c(ph, recipe.ph_stated_at_c, recipe.alkali) for ph in usual)
        yield f"#ph_low = {low:.1f}  # pH limits are meant at 25 °C"
        yield f"#ph_high = {high:.1f}"
    yield f"#temperature_low_c = {recipe.work_c[0]:g}"
    yield f"#temperature_high_c = {recipe.work_c[1]:g}"
    yield f"#ceiling_c = {recipe.ceiling_c:g}  # too hot"
    yield f"#reduction_low = {recipe.reduction_low:g}  # least reduced share for dyeing"
    yield f"#settle_min = {recipe.settle_minutes:g}  # rest after a stir, feed, dip or top-up, minutes"


def _port(port: PortAnswer, named: set[str]) -> Iterator[str]:
    yield ""
    yield from port_table(port.found, port.name)
    for probe in port.probes:
        off = "" if probe.vat is not None else "#"
        vat = probe.vat or "a-vat"
        name = first = f"{vat}-{_PART[probe.signal.quantity]}"
        number = 1
        while name in named:
            number += 1
            name = f"{first}-{number}"
        named.add(name)
        if off:
            yield "# In no vat so far: take the # away and name the vat."
        yield f"{off}[probe.{name}]  # it gave {probe.example:g}"
        yield f"{off}vat = {quoted(vat)}"
        yield f"{off}port = {quoted(port.name)}"
        yield f"{off}field = {quoted(probe.field)}"
        yield f"{off}signal = {quoted(probe.signal.value)}"
        if probe.signal is Signal.ORP_MV:
            yield f"{off}reference = {quoted((probe.reference or ReferenceElectrode.AGCL_3M_KCL).value)}"
        yield ""


def _outlets(answers: Answers) -> Iterator[str]:
    yield ""
    yield "# A phone, a mailbox, or anything else with an Apprise URL, which stands in a file of its own."
    if answers.phone_url_file is not None:
        yield "[phone.mine]"
        yield f"url_file = {quoted(answers.phone_url_file)}"
    else:
        yield "#[phone.mine]"
        yield '#url_file = "phone-url"'
    yield ""
    yield "# A broker that gets the current state."
    if answers.broker is not None:
        yield "[mqtt]"
        yield f"host = {quoted(answers.broker.host)}"
        yield f"port = {answers.broker.port}"
        if answers.broker.username is not None:
            yield f"username = {quoted(answers.broker.username)}"
        if answers.broker.password_file is not None:
            yield f"password_file = {quoted(answers.broker.password_file)}"
    else:
        yield "#[mqtt]"
        yield '#host = "192.0.2.10"'
    yield ""
    yield "# A database that gets the history (InfluxDB v2)."
    yield "#[influx]"
    yield '#url = "http://192.0.2.10:8086"'
    yield '#org = "shed"'
    yield '#bucket = "vats"'
    yield '#token_file = "influx-token"'
    yield ""
    yield "# The page at the vat."
    yield "[page]"
    if answers.passphrase_file is not None:
        yield 'host = "0.0.0.0"  # for phones on the local network'
        yield f"passphrase_file = {quoted(answers.passphrase_file)}"
    else:
        yield 'host = "127.0.0.1"  # this computer alone; for phones: `vatwatch passphrase`, then "0.0.0.0" and the next line'
        yield '#passphrase_file = "vatwatch-passphrase"'
