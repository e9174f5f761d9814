"""The settings file's tables of serial ports: ASCII lines, SDI-12 sensors, Modbus RTU units.

Part of `config`, which reads the file; kept apart because each protocol brings a table of its own. Opens nothing.
"""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from vatwatch.probes.modbus import NumberType, WordOrder


class Table(BaseModel):
    """One table of the settings file. Unknown keys are refused; numbers must be finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class LineTable(Table):
    """One kind of ASCII line on a port: what to ask for it, and how to read it."""

    ask: str | None = Field(None, min_length=1, max_length=64, description="text sent to ask for the line")
    terminator: str = Field("\r\n", min_length=1, max_length=8, description="what ends the line")
    pattern: str | None = Field(None, description="regular expression of the whole line, numbers as named groups")
    delimiter: str | None = Field(None, description="what separates the numbers, if there is no pattern")
    fields: tuple[str, ...] = Field((), description="names of the numbers in order; '-' skips one")
    max_line: int = Field(256, ge=1, le=4096, description="longest line, bytes")
    answer_within_s: float = Field(1.5, gt=0, le=60, description="how long to wait for the answer, seconds")


class Sdi12Table(Table):
    """One measurement of one SDI-12 sensor."""

    address: str = Field(pattern=r"^[0-9A-Za-z]$", description="the sensor's address, one character in quotes")
    command: str = Field("M", pattern=r"^([MC][1-9]?|R[0-9]?)$", description="M, M1…M9, C, C1…C9 or R0…R9")
    crc: bool = Field(True, description="ask for a checksum with the values; false for sensors older than SDI-12 1.3")
    fields: tuple[str, ...] = Field(min_length=1, description="names of the values in order; '-' skips one")
    answer_within_s: float = Field(1.0, gt=0, le=60, description="how long to wait for each answer, seconds")
    ready_within_s: float = Field(30, ge=0, le=999, description="longest a measurement can take, seconds")


class ModbusTable(Table):
    """One number of one Modbus RTU unit."""

    field: str = Field(min_length=1, description="a name for the number")
    unit: int = Field(ge=1, le=247, description="the unit's number on the line")
    register_number: int | None = Field(None, description="as in the data sheet: 40001… holding, 30001… input")
    register_address: int | None = Field(None, ge=0, le=65535, description="counted from 0; needs function")
    function: Literal[3, 4] | None = Field(None, description="3 holding or 4 input registers, with register_address")
    type: NumberType = Field(NumberType.INT16, description="how its bits are meant")
    word_order: WordOrder = Field(WordOrder.ABCD, description="order of the bytes of a 32-bit number")
    scale: float = Field(1.0, description="the number is multiplied by this")
    answer_within_s: float = Field(1.0, gt=0, le=60, description="how long to wait for the answer, seconds")

    @model_validator(mode="after")
    def _one_register(self) -> Self:
        if (self.register_number is None) == (self.register_address is None):
            raise ValueError("give exactly one of register_number (such as 40001) and register_address (from 0)")
        if (self.register_address is None) != (self.function is None):
            raise ValueError("give function (3 or 4) with register_address, and leave it out with register_number")
        return self


_PROTOCOLS = ("line", "sdi12", "modbus")


class PortTable(Table):
    """One serial port, with one kind of device on it."""

    device: str = Field(min_length=1, description="path, best one of /dev/serial/by-id/")
    baud: int = Field(9600, ge=50, le=4_000_000, description="bits per second; SDI-12: 1200 unless given")
    bytesize: Literal[5, 6, 7, 8] = Field(8, description="data bits; SDI-12: 7 unless given")
    parity: Literal["N", "E", "O", "M", "S"] = Field("N", description="parity; SDI-12: E unless given")
    stopbits: Literal[1, 2] | float = Field(1, description="stop bits")
    ask_every_s: float = Field(5, gt=0, le=3600, description="seconds between rounds of questions")
    line: tuple[LineTable, ...] = Field((), description="the kinds of ASCII line this port gives")
    sdi12: tuple[Sdi12Table, ...] = Field((), description="the measurements of SDI-12 sensors on it")
    modbus: tuple[ModbusTable, ...] = Field((), description="the numbers of Modbus RTU units on it")

    @model_validator(mode="before")
    @classmethod
    def _sdi12_framing(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and "sdi12" in raw:
            return {"baud": 1200, "bytesize": 7, "parity": "E", **raw}
        return raw

    @model_validator(mode="after")
    def _one_protocol(self) -> Self:
        given = [name for name in _PROTOCOLS if getattr(self, name)]
        if len(given) != 1:
            found = "both " + " and ".join(given) if given else "none"
            raise ValueError(
                f"{found} of line, sdi12 and modbus tables given; expected one kind, such as [[port.NAME.line]]"
            )
        return self
