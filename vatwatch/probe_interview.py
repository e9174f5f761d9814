"""The part of `vatwatch setup` that looks at the ports: what hangs there, which number is what, and which vat it is from.

Looks and asks only; the tables are written by `first_settings`.
"""

from __future__ import annotations

from collections.abc import Sequence

from vatwatch.asking import Asker
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.errors import PortError
from vatwatch.first_settings import PortAnswer, ProbeAnswer, VatAnswer
from vatwatch.probes.inference import Guess
from vatwatch.probes.serial_port import adapters
from vatwatch.probes.survey import Found, survey
from vatwatch.terms import Quantity, Signal

_MEANS = {
    Signal.PH: "pH",
    Signal.ORP_MV: "ORP (redox) in mV",
    Signal.TEMPERATURE_C: "temperature in °C",
    Signal.PH_MV: "a bare pH electrode in mV",
    Signal.PT100_OHM: "a Pt100 in ohm",
}
_ELECTRODES = (
    (ReferenceElectrode.AGCL_3M_KCL, "Ag/AgCl in 3 mol/L KCl"),
    (ReferenceElectrode.AGCL_1M_KCL, "Ag/AgCl in 1 mol/L KCl"),
    (ReferenceElectrode.AGCL_3_33M_KCL, "Ag/AgCl in 3.33 mol/L KCl"),
    (ReferenceElectrode.AGCL_3_5M_KCL, "Ag/AgCl in 3.5 mol/L KCl"),
    (ReferenceElectrode.AGCL_SAT_KCL, "Ag/AgCl in saturated KCl"),
    (ReferenceElectrode.SCE, "calomel (SCE)"),
)
_WHY_ELECTRODE = (
    "An ORP probe measures against a reference electrode inside it; which one is printed on the probe or stands in its "
    "sheet. If you cannot find it take the first and mend the line `reference` later: among Ag/AgCl in 3 mol/L or more "
    "it is about 10 mV."
)
_QUIET_S = 1.0


class ProbeInterview:
    """Ports one after the other; which vat still has room is kept in mind: one pH and one ORP probe to each."""

    def __init__(self, asker: Asker, vats: Sequence[VatAnswer], listen_s: float) -> None:
        self._asker, self._vats, self._listen_s = asker, tuple(vats), listen_s
        self._taken: set[tuple[str, Quantity]] = set()

    def hold(self, devices: Sequence[str]) -> tuple[PortAnswer, ...]:
        """`devices` are the ports to look at; all adapters when empty."""
        asker = self._asker
        if not devices and not asker.yes(
            "Look for probes now? Plug in every adapter first.",
            default=True,
            why="It listens on each serial adapter, then asks politely: SDI-12 and Modbus reads, nothing that changes a "
            "device. Without any probe the file is written all the same.",
        ):
            return ()
        chosen = list(devices) or adapters()
        if not chosen:
            asker.say("  No serial adapter is plugged in. The file is written without probes.")
        ports: list[PortAnswer] = []
        for device in chosen:
            found = self._look(device)
            if found is not None:
                ports.append(self._port(f"port-{len(ports) + 1}", found))
        return tuple(ports)

    def _look(self, device: str) -> Found | None:
        asker = self._asker

        def tell(line: str) -> None:
            if "--ask" not in line:  # the next question says the same
                asker.say(f"  {line}")

        asker.say(device)
        try:
            found = survey(device, self._listen_s, False, tell)
            if found is None and asker.yes(
                "  Nothing recognised. Is it a meter that waits for a command? Then the common ones can be tried.",
                default=False,
                why="Some meters answer only when they are sent a letter or a word, such as R or READ?. Trying does a "
                "meter no harm; say no if something else than a meter hangs on this port.",
            ):
                found = survey(device, _QUIET_S, True, tell)
        except PortError as error:
            asker.say(f"  {error}")
            return None
        if found is None:
            asker.say("  It is left out. hardware_notes/wiring.md shows how to describe it by hand.")
        return found

    def _port(self, name: str, found: Found) -> PortAnswer:
        probes: list[ProbeAnswer] = []
        for instrument in dict.fromkeys(guess.instrument for guess in found.guesses):
            own = [guess for guess in found.guesses if guess.instrument == instrument]
            shown = ", ".join(f"{_MEANS[guess.signal]} {guess.example:g}" for guess in own)
            where = f" of {instrument}" if instrument else ""
            self._asker.say(f"  Heard{where}: {shown}.")
            right = self._asker.yes(
                "  Is each of them what it says here?",
                default=True,
                why="Compare with the meter's own display. What a number means is guessed from its size and its label.",
            )
            signals = {guess: guess.signal if right else self._meaning(guess) for guess in own}
            known = {guess: signal for guess, signal in signals.items() if signal is not None}
            vat = self._vat_of({signal.quantity for signal in known.values()})
            for guess, signal in known.items():
                reference = self._electrode() if signal is Signal.ORP_MV and vat is not None else None
                probes.append(ProbeAnswer(vat, guess.field, signal, guess.example, reference))
        return PortAnswer(name, found, tuple(probes))

    def _meaning(self, guess: Guess) -> Signal | None:
        choices: list[tuple[Signal | None, str]] = [*_MEANS.items(), (None, "something else: leave it out")]
        likely = next(number for number, (signal, _) in enumerate(choices) if signal is guess.signal)
        return self._asker.choose(f"  What is {guess.field}, which gave {guess.example:g}?", choices, likely)

    def _vat_of(self, quantities: set[Quantity]) -> str | None:
        single = quantities - {Quantity.TEMPERATURE}
        room = [vat for vat in self._vats if not any((vat.short, quantity) in self._taken for quantity in single)]
        if not quantities:
            return None
        if not room:
            self._asker.say("  Every vat has its pH and its ORP probe: this one is kept in the file, switched off.")
            return None
        choices: list[tuple[str | None, str]] = [*((vat.short, vat.name) for vat in room), (None, "none of them yet")]
        vat = self._asker.choose("  Which vat does it stand in?", choices, 0)
        if vat is not None:
            self._taken |= {(vat, quantity) for quantity in single}
        return vat

    def _electrode(self) -> ReferenceElectrode:
        return self._asker.choose("  Which reference electrode has the ORP probe?", _ELECTRODES, 0, _WHY_ELECTRODE)
