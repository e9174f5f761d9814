"""The conversation of `vatwatch calibrate`: which solution, when the reading stands, what came of it. Plain lines.

It decides nothing about the electrode: readings and results go through `calibrating.py`, the judgement is `chemistry/`'s.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import TypeVar

from rich.console import Console
from rich.live import Live
from rich.text import Text

from vatwatch.calibrating import SMALL_STEP, UNIT, Bench, Readings, concluded, fault_of_rest, noise_of, now_ms
from vatwatch.chemistry.buffers import Buffer, buffer_ph
from vatwatch.chemistry.check_solutions import SOLUTION_SIGMA_MV, CheckSolution, check_eh_mv
from vatwatch.chemistry.electrode_health import BUFFER_TEMPERATURE_SIGMA_C, Fault, buffer_sigma
from vatwatch.chemistry.electrodes import orp_mv_from_eh
from vatwatch.chemistry.steadiness import LEAST_READINGS, Pace, Rest, rest_of, t90_s
from vatwatch.errors import RangeError, VatwatchError
from vatwatch.records import Calibration, CalibrationPoint, Sample
from vatwatch.terms import Quantity, Signal
from vatwatch.vat.scan import OUT_MINUTES, calibrated

T = TypeVar("T")

HOLD_S = 30.0
WITHIN_S = 300.0
LOOK_EVERY_S = 0.5
MINUTES_BESIDES = 15.0
"""For rinsing, pouring and walking; added to the time the readings may take."""
COMPARISON_SIGMA_C = 0.3
"""An ordinary thermometer held beside. Common practice, no source."""

BUFFERS = {
    "4": Buffer.PHTHALATE,
    "6.86": Buffer.PHOSPHATE,
    "7": Buffer.PHOSPHATE_TECHNICAL,
    "9.18": Buffer.BORAX,
    "10": Buffer.CARBONATE,
    "12.45": Buffer.LIME_SATURATED,
}
SOLUTION_NAMES = {
    CheckSolution.ZOBELL: "ZoBell's solution",
    CheckSolution.LIGHT: "Light's solution",
    CheckSolution.QUINHYDRONE_PHTHALATE: "pH 4.00 buffer saturated with quinhydrone",
    CheckSolution.QUINHYDRONE_PHOSPHATE: "pH 7 buffer saturated with quinhydrone",
}
CAUTIONS = {
    Buffer.LIME_SATURATED: "Lime solution is caustic: goggles and gloves.",
    CheckSolution.ZOBELL: "ZoBell's holds cyanoferrates: never together with acid.",
    CheckSolution.LIGHT: "Light's is strong acid: goggles and gloves, never near a vat.",
    CheckSolution.QUINHYDRONE_PHTHALATE: "Quinhydrone stains and harms: gloves; mix it fresh.",
    CheckSolution.QUINHYDRONE_PHOSPHATE: "Quinhydrone stains and harms: gloves; mix it fresh.",
}


@dataclass(frozen=True, slots=True)
class Patience:
    """`hold_s`: how long a reading must stand still; `within_s`: how long it is waited for."""

    hold_s: float = HOLD_S
    within_s: float = WITHIN_S


class _NotSteadyError(Exception):
    def __init__(self, fault: Fault, words: str) -> None:
        super().__init__(words)
        self.fault, self.words = fault, words


class Dialogue:
    """One calibration of one probe at a terminal. `hold` returns what came of it."""

    def __init__(self, out: Console, bench: Bench, zone: tzinfo, patience: Patience) -> None:
        self._out, self._bench, self._zone = out, bench, zone
        slowest_s = LEAST_READINGS * bench.table.every_s
        self._patience = replace(patience, hold_s=max(patience.hold_s, slowest_s))
        self._companion: str | None = None
        self._left = "nothing was kept"

    def hold(self) -> Calibration:
        """Raises VatwatchError when it cannot be carried through; the person may also leave with Ctrl-C."""
        try:
            return self._hold()
        except KeyboardInterrupt as error:
            raise VatwatchError(f"left unfinished; {self._left}") from error

    def _hold(self) -> Calibration:
        bench = self._bench
        quantity = bench.table.signal.quantity
        self._say(f"{bench.probe} of {bench.vat_name}: {bench.table.signal.value}.")
        solutions = self._which(quantity)
        if quantity is not Quantity.TEMPERATURE:
            self._companion = self._which_companion()
        away = [bench.probe, *([self._companion] if self._companion else [])]
        minutes = max(OUT_MINUTES, MINUTES_BESIDES + len(solutions) * self._patience.within_s / 60)
        if bench.watched:
            bench.take_out(away, minutes)
            self._left += f". The watch takes the probe for back {minutes:.0f} minutes after it was taken out"
            self._say(
                f"The watch goes on. {' and '.join(away)} may leave the vat now; after {minutes:.0f} minutes the watch takes "
                "them for back by itself."
            )
            if bench.warmed and any(bench.settings_of(p).signal.quantity is Quantity.TEMPERATURE for p in away):
                self._say("Stay by the vat: while its thermometer is out, nothing watches how warm it gets.")
        else:
            self._say("No watch is running: the port is read from here.")
        readings = bench.open_readings()
        try:
            calibration = self._read_all(solutions, readings)
        finally:
            readings.close()
        how = bench.keep(calibration)
        self._left = self._left.replace("nothing was kept", "but the calibration is kept")
        self._conclude(calibration, how)
        if bench.watched:
            self._ask(f"Rinse, put {' and '.join(away)} back into the vat, then press Enter.", str, "")
            bench.put_back(away)
            self._say("The watch counts it as back.")
        return calibration

    # --- questions -------------------------------------------------------------------------------------------------

    def _which(self, quantity: Quantity) -> list[Buffer] | list[CheckSolution] | list[None]:
        if quantity is Quantity.PH:
            self._say(f"Buffers known here: {', '.join(BUFFERS)}. For vats 7 and 10, or 7, 10 and 12.45; not 4.")
            return self._ask("Which buffers, one to three? [7 10]", _buffers, "7 10")
        if quantity is Quantity.ORP:
            self._say(f"Check solutions known here: {', '.join(CheckSolution)}.")
            return [self._ask("Which one? [zobell]", _check_solution, "zobell")]
        return [None]

    def _which_companion(self) -> str | None:
        for name in self._bench.thermometers():
            if self._ask(f"Will the thermometer {name} stand in the same cup? [y/N]", _yes_or_no, "n"):
                return name
        return None

    def _read_all(self, solutions: list[Buffer] | list[CheckSolution] | list[None], readings: Readings) -> Calibration:
        points: list[CalibrationPoint] = []
        try:
            for number, solution in enumerate(solutions, 1):
                points.append(self._read_one(f"{number} of {len(solutions)}", solution, points, readings))
        except _NotSteadyError as error:
            return concluded(self._bench, points, now_ms(), (error.fault, error.words))
        return concluded(self._bench, points, now_ms())

    def _read_one(
        self, count: str, solution: Buffer | CheckSolution | None, before: list[CalibrationPoint], readings: Readings
    ) -> CalibrationPoint:
        name, caution = _name_of(solution), CAUTIONS.get(solution) if solution is not None else None
        self._say(f"\n{count}: {name}.{' ' + caution if caution else ''}")
        lot, given_c = "", None
        if solution is not None:
            lot = self._ask("Lot on the bottle (Enter if none):", _lot, "")
        if self._companion is None:
            what = "Temperature in the cup, °C:" if solution is not None else "What does the other thermometer say, °C:"
            given_c = self._ask(what, lambda text: _temperature(solution, text), None)
        self._ask("Rinse the probe, stand it in the cup, stir a little, then press Enter.", str, "")
        dipped_ms = now_ms()
        rest, samples = self._wait(readings, dipped_ms)
        signal = self._bench.table.signal
        t90 = None
        if before:
            timed = [(s.time_ms / 1000, s.value) for s in samples if s.value is not None]
            t90 = t90_s(timed, dipped_ms / 1000, before[-1].reading, rest.mean)
        at_c, at_sigma = given_c, BUFFER_TEMPERATURE_SIGMA_C
        if self._companion is not None:
            at_c, at_sigma = self._companion_c(self._companion, readings, dipped_ms)
        if at_c is None:
            raise VatwatchError("the temperature in the cup is not known; begin again and give it")
        try:
            expected, sigma = self._expected(solution, at_c, at_sigma)
        except RangeError as error:
            raise VatwatchError(f"the cup is at {at_c:.1f} °C: {error}") from error
        took = f", t90 {t90:.0f} s" if t90 is not None else ""
        self._say(f"Steady at {_shown(signal, rest.mean)} ± {rest.sigma:.2g} in {at_c:.1f} °C{took}.")
        known = "comparison" if solution is None else solution.value
        return CalibrationPoint(known, lot, at_c, expected, sigma, rest.mean, rest.sigma, t90)

    def _expected(self, solution: Buffer | CheckSolution | None, at_c: float, at_sigma: float) -> tuple[float, float]:
        if isinstance(solution, Buffer):
            return buffer_ph(solution, at_c), buffer_sigma(
                solution, at_c, at_sigma, self._bench.table.signal is Signal.PH
            )
        reference = self._bench.table.reference
        if isinstance(solution, CheckSolution) and reference is not None:
            return orp_mv_from_eh(check_eh_mv(solution, at_c), reference, at_c), SOLUTION_SIGMA_MV
        return at_c, COMPARISON_SIGMA_C

    # --- readings --------------------------------------------------------------------------------------------------

    def _wait(self, readings: Readings, from_ms: int) -> tuple[Rest, list[Sample]]:
        """Show the raw reading until it stands still. Raises _NotSteadyError when it does not in time."""
        bench, signal = self._bench, self._bench.table.signal
        step, noise = SMALL_STEP[signal], noise_of(bench.settings)
        until = time.monotonic() + self._patience.within_s
        rest, samples = Rest(Pace.TOO_FEW), list[Sample]()
        with Live(Text("waiting for the first reading"), console=self._out, auto_refresh=False, transient=True) as live:
            while time.monotonic() < until:
                samples = readings.since(bench.probe, from_ms)
                timed = [(s.time_ms / 1000, s.value) for s in samples if s.value is not None]
                rest = rest_of(timed, self._patience.hold_s, step, noise)
                if rest.pace is Pace.STEADY:
                    return rest, samples
                if timed:
                    live.update(Text(f"{_shown(signal, timed[-1][1])}  {_pace_words(rest, signal)}"), refresh=True)
                time.sleep(LOOK_EVERY_S)
        fault = fault_of_rest(rest, signal, self._patience.hold_s, readings.trouble())
        raise _NotSteadyError(*fault)

    def _companion_c(self, probe: str, readings: Readings, from_ms: int) -> tuple[float, float]:
        settings = self._bench.settings_of(probe)
        newest = [s.value for s in readings.since(probe, from_ms) if s.value is not None][-LEAST_READINGS:]
        if not newest:
            raise VatwatchError(f"the thermometer {probe} gives nothing: {readings.trouble()}")
        return calibrated(settings, sum(newest) / len(newest), None, now_ms())

    # --- the end ---------------------------------------------------------------------------------------------------

    def _conclude(self, calibration: Calibration, how: str) -> None:
        self._say("")
        for line in outcome_lines(calibration):
            self._say(line)
        if calibration.accepted:
            due = datetime.fromtimestamp(
                (calibration.time_ms + self._bench.settings.calibrate_every_ms) / 1000, self._zone
            )
            self._say(f"Accepted: {how}. Due again on {due.day} {due:%B %Y}.")
        else:
            self._say("Not used: the calibration before it stays in force. The refusal is kept in the history.")

    def _say(self, line: str) -> None:
        self._out.print(line, markup=False, soft_wrap=True)

    def _ask(self, question: str, read: Callable[[str], T], default: str | None) -> T:
        """Ask until the answer can be read. Raises VatwatchError when there is nobody to answer."""
        while True:
            try:
                answer = self._out.input(Text(question + " ")).strip()
            except EOFError as error:
                raise VatwatchError("the dialogue ended before it was finished; it needs a terminal") from error
            if not answer and default is None:
                self._say("An answer is needed here.")
                continue
            try:
                return read(answer or (default or ""))
            except ValueError as error:
                self._say(f"{error}.")


def outcome_lines(calibration: Calibration) -> list[str]:
    """What came of a calibration, in lines."""
    head = "" if calibration.accepted else f"Refused, {calibration.fault}: "
    return [f"{head}{line}" for line in calibration.judgement]


def history_lines(calibrations: list[Calibration], zone: tzinfo) -> list[str]:
    """Every calibration of a probe, oldest first, with its solutions and lots."""
    lines = []
    for one in calibrations:
        then = datetime.fromtimestamp(one.time_ms / 1000, zone)
        cups = ", ".join(
            f"{p.solution}{' lot ' + p.lot if p.lot else ''} at {p.temperature_c:.1f} °C read {p.reading:.4g}"
            for p in one.points
        )
        outcome = "accepted" if one.accepted else "refused"
        lines.append(
            f"{then:%Y-%m-%d %H:%M} {outcome}{' by ' + one.by if one.by else ''}: {cups or 'no solution read'}"
        )
        lines += [f"  {line}" for line in outcome_lines(one)]
    return lines or ["never calibrated with this command"]


def _shown(signal: Signal, value: float) -> str:
    number = f"{value:.3f}" if signal is Signal.PH else f"{value:.1f}"
    return f"{'pH ' if signal is Signal.PH else ''}{number}{UNIT[signal]}"


def _pace_words(rest: Rest, signal: Signal) -> str:
    match rest.pace:
        case Pace.NOISY:
            return f"noisy: ±{rest.scatter:.2g}{UNIT[signal]}"
        case Pace.DRIFTING:
            return f"moving: {rest.moved:+.2g}{UNIT[signal]}"
        case _:
            return "watching whether it stands still"


def _name_of(solution: Buffer | CheckSolution | None) -> str:
    if isinstance(solution, CheckSolution):
        return SOLUTION_NAMES[solution]
    if isinstance(solution, Buffer):
        return f"pH {next(name for name, buffer in BUFFERS.items() if buffer is solution)} buffer"
    return "a stirred cup of warm water, with another thermometer you trust in it"


def _buffers(text: str) -> list[Buffer]:
    names = text.replace(",", " ").split()
    shortened = [{"4.00": "4", "7.00": "7", "10.01": "10", "10.00": "10"}.get(name, name) for name in names]
    unknown = [name for name in shortened if name not in BUFFERS]
    if unknown or not 1 <= len(shortened) <= 3 or len(set(shortened)) < len(shortened):
        raise ValueError(f"expected one to three different ones of {', '.join(BUFFERS)}")
    if {"6.86", "7"} <= set(shortened) or {"9.18", "10"} <= set(shortened):
        raise ValueError("buffers must be at least 1 pH apart, such as 7 and 10")
    return [BUFFERS[name] for name in shortened]


def _check_solution(text: str) -> CheckSolution:
    try:
        return CheckSolution(text.lower())
    except ValueError:
        raise ValueError(f"expected one of {', '.join(CheckSolution)}") from None


def _yes_or_no(text: str) -> bool:
    if text.lower() not in ("y", "yes", "n", "no"):
        raise ValueError("expected y or n")
    return text.lower().startswith("y")


def _lot(text: str) -> str:
    if len(text) > 60 or not text.isprintable():
        raise ValueError("expected at most 60 printable characters")
    return text


def _temperature(solution: Buffer | CheckSolution | None, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise ValueError("expected degrees Celsius, such as 21.5") from None
    if isinstance(solution, Buffer):
        buffer_ph(solution, value)
    elif isinstance(solution, CheckSolution):
        check_eh_mv(solution, value)
    elif not 0.0 <= value <= 100.0:
        raise ValueError("expected 0 to 100 °C")
    return value
