"""The rehearsed night: two vats of our own invention from 19:00 to 07:00, as data, on a bench.

"quince" (fructose and lime, cotton) tires with its lid left off and is fed after midnight; "heron" (hydrosulfite,
wool) loses its thermostat and overheats; the cable of "quince" is pulled for a while. The script only knows what the
dyer does and when; that it fits the physics is held by a test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from vatwatch.records import AlarmAction, JournalEntry
from vatwatch.rehearsal.bench import Bench
from vatwatch.rehearsal.electrodes import probe_set
from vatwatch.rehearsal.instruments import AskAnswer, FreeRunning
from vatwatch.rehearsal.liquor import SimulatedVat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.rehearsal.recipes import DAY_MS, HOUR_MS, VatRecipe, default_recipe
from vatwatch.terms import ActionVerb, EntryKind

QUINCE = "quince"
HERON = "heron"
NIGHT_HOURS = 12
EVENING_HOUR = 19
DEFAULT_SEED = 7
ELECTRODE = "agcl_3m_kcl"
MINUTE_MS = 60_000


def quince_recipe() -> VatRecipe:
    """A fructose and lime vat for cotton, 40 L in a wide wrapped tub, warmed and fed at noon.

    It starts a little short of its best, with the lid off. The offset is put so that a daemon which knows nothing of
    this vat does not think it worse than it is."""
    return replace(
        default_recipe("fructose-lime"),
        volume_l=40.0,
        surface_m2=0.24,
        indigo_g_l=1.0,
        start_share=0.92,
        reductant_mol_l=0.0027,
        start_ph=11.1,
        start_temperature_c=33.5,
        weak_acid_mol_l=0.02,
        lid_open=True,
        surface_renewal_m_s=4.0e-5,
        heat_loss_w_per_k=0.8,
        lid_open_loss_w_per_k=0.5,
        room_mean_c=22.0,
        room_swing_c=2.0,
        e7_offset_mv=-15.0,
    )


def heron_recipe() -> VatRecipe:
    """A hydrosulfite vat for wool, 25 L, kept at 45 °C by a thermostat; soda with ammonia and glue
    holds its pH (ammonium's pKa of about 9.2 is from memory)."""
    return replace(
        default_recipe("hydrosulfite"),
        volume_l=25.0,
        surface_m2=0.09,
        indigo_g_l=0.8,
        start_share=0.997,
        reductant_mol_l=0.010,
        start_ph=9.0,
        start_temperature_c=45.0,
        carbonate_mol_l=0.04,
        weak_acid_mol_l=0.03,
        weak_acid_pka=9.2,
        heat_loss_w_per_k=3.0,
        heater_w=545.0,
        setpoint_c=45.0,
        hysteresis_c=1.0,
        room_mean_c=20.0,
        room_swing_c=2.5,
        e7_offset_mv=-6.0,
    )


@dataclass(frozen=True, slots=True)
class Happening:
    """Something of the script that nobody writes into the journal."""

    text: str
    act: Callable[[], None]


Event = JournalEntry | AlarmAction | Happening


@dataclass(slots=True)
class NightRehearsal:
    """A night ready to run. `ports` maps a vat to the path of its port, `script` holds everything that will happen."""

    start_ms: int
    end_ms: int
    bench: Bench
    vats: dict[str, SimulatedVat]
    ports: dict[str, str]
    electrode: str
    script: list[tuple[int, Event]] = field(default_factory=list)

    @property
    def journal(self) -> list[JournalEntry]:
        """What the dyer writes down, by time; the demo hands each to the daemon at its `logged_ms`."""
        return [what for _, what in self.script if isinstance(what, JournalEntry)]

    def start(self) -> None:
        """Opens the ports and lets the night begin."""
        self.bench.start()

    def stop(self) -> None:
        """Ends the night and closes the ports; raises what went wrong in the script."""
        self.bench.stop()


def _entry(
    number: int, time_ms: int, vat: str, kind: EntryKind, what: str = "", grams: float | None = None,
    minutes: float | None = None, text: str = "",
) -> JournalEntry:  # fmt: skip
    return JournalEntry(
        entry_id=f"night-{number:02d}", time_ms=time_ms, logged_ms=time_ms, vat=vat, kind=kind, what=what,
        grams=grams, minutes=minutes, text=text, by="dyer",
    )  # fmt: skip


def night_script(start_ms: int, bench: Bench, heron: SimulatedVat) -> list[tuple[int, Event]]:
    """Everything that happens, by time. `start_ms` is 19:00."""

    def clock(hour: int, minute: int) -> int:
        return start_ms + ((hour - EVENING_HOUR) % 24) * HOUR_MS + minute * MINUTE_MS

    def mishap(what: Mishap, at_ms: int) -> Callable[[], None]:
        return lambda: heron.befall(at_ms, what)

    entries = [
        (clock(19, 4), QUINCE, EntryKind.CHECK, "yellow-green", None, None, "coming on since the noon feed"),
        (clock(19, 8), QUINCE, EntryKind.STIR, "", None, 1.0, "evening stir; off to supper, lid still off"),
        (clock(19, 10), HERON, EntryKind.STIR, "", None, 1.0, "evening stir"),
        (clock(20, 20), QUINCE, EntryKind.CHECK, "amber", None, None, "clear amber under a coppery film"),
        (clock(20, 22), HERON, EntryKind.CHECK, "amber", None, None, "clear, yellow as straw wine"),
        (clock(0, 40), QUINCE, EntryKind.FEED, "fructose", 60.0, None, "dissolved in a cup of warm water"),
        (clock(0, 41), QUINCE, EntryKind.FEED, "lime", 12.0, None, "slaked lime, sieved in"),
        (clock(0, 42), QUINCE, EntryKind.STIR, "", None, 2.0, "stirred gently, no splashing"),
        (clock(0, 45), QUINCE, EntryKind.COVER, "covered", None, None, "the lid had been off all evening"),
        (clock(3, 14), HERON, EntryKind.NOTE, "", None, None, "thermostat stuck on; pulled the heater's plug"),
    ]
    script: list[tuple[int, Event]] = [
        (at_ms, _entry(n, at_ms, vat, kind, what, grams, minutes, text))
        for n, (at_ms, vat, kind, what, grams, minutes, text) in enumerate(entries, start=1)
    ]
    stuck_ms, plug_ms, seen_ms = clock(2, 0), clock(3, 13), clock(3, 14)
    script += [
        (stuck_ms, Happening("the thermostat of heron sticks on", mishap(Mishap.HEATER_STUCK_ON, stuck_ms))),
        (plug_ms, Happening("the dyer pulls the plug of heron's heater", mishap(Mishap.PLUG_PULLED, plug_ms))),
        (seen_ms, AlarmAction("night-seen-1", seen_ms, HERON, "overheat", ActionVerb.ACKNOWLEDGE, by="dyer")),
        (seen_ms, AlarmAction("night-seen-2", seen_ms, HERON, "off-warm", ActionVerb.ACKNOWLEDGE, by="dyer")),
        (clock(4, 30), Happening("the probe cable of quince is pulled", lambda: bench.unplug(QUINCE))),
        (clock(4, 55), Happening("the probe cable of quince is put back", lambda: bench.replug(QUINCE))),
    ]
    return sorted(script, key=lambda pair: pair[0])


def build_night(
    clock_ms: Callable[[], int],
    start_ms: int,
    directory: Path,
    *,
    seed: int = DEFAULT_SEED,
    interval_ms: int = 5000,
    truth_interval_ms: int = 60_000,
) -> NightRehearsal:
    """The rehearsed night on a bench whose ports will stand in `directory`.

    `start_ms` stands for 19:00 in the dyer's own time zone, whatever it is in UTC; `clock_ms` should show it when the
    night is started. `interval_ms` is how often quince's meter sends a line; heron's speaks when asked.
    """
    bench = Bench(directory, clock_ms, truth_interval_ms)
    warmest_ms = (start_ms - 4 * HOUR_MS) % DAY_MS
    quince = SimulatedVat(replace(quince_recipe(), room_warmest_ms=warmest_ms), seed, start_ms)
    heron = SimulatedVat(replace(heron_recipe(), room_warmest_ms=warmest_ms), seed + 1, start_ms)
    bench.add_vat(QUINCE, quince)
    bench.add_vat(HERON, heron)
    bench.add_line(QUINCE, FreeRunning(quince, probe_set(f"{seed}/{QUINCE}", ELECTRODE), interval_ms))
    bench.add_line(HERON, AskAnswer(heron, probe_set(f"{seed}/{HERON}", ELECTRODE)))
    night = NightRehearsal(
        start_ms=start_ms,
        end_ms=start_ms + NIGHT_HOURS * HOUR_MS,
        bench=bench,
        vats={QUINCE: quince, HERON: heron},
        ports={QUINCE: bench.port(QUINCE), HERON: bench.port(HERON)},
        electrode=ELECTRODE,
        script=night_script(start_ms, bench, heron),
    )
    for at_ms, what in night.script:
        if isinstance(what, JournalEntry):
            bench.at(at_ms, partial(bench.apply, what))
        elif isinstance(what, Happening):
            bench.at(at_ms, what.act)
    return night
