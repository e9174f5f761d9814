"""What can go wrong with a simulated vat, by name. The vat itself knows what each one does."""

from __future__ import annotations

from enum import StrEnum


class Mishap(StrEnum):
    """A fault, or its end. Each is put on a vat with `SimulatedVat.befall(time_ms, mishap, amount)`."""

    HEATER_STUCK_ON = "heater stuck on"
    HEATER_STUCK_OFF = "heater stuck off"
    HEATER_MENDED = "heater mended"
    PLUG_PULLED = "heater's plug pulled"
    PLUG_BACK = "heater plugged in"
    REDUCTANT_GONE = "reductant exhausted"
    """`amount` is the share that is left, 0–1 (default 0)."""
    LID_OFF = "lid left off"
    LID_ON = "lid put on"
    COLD_SNAP = "cold snap in the room"
    """`amount` is how many °C colder (default 8)."""
    COLD_SNAP_OVER = "cold snap over"
    CO2_CREEP = "carbonic acid from the air"
    """`amount` is mol/L of CO2 taken up at once (default 0.002)."""
    WATERED_DOWN = "watered down"
    """`amount` is litres of tap water (default a tenth of the vat)."""
