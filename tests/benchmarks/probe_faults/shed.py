"""A simulated vat with its dyer, its probes and one meter on a noisy line, whose probes can be made to fail.

The liquor, the probes and the line noise are the rehearsal's own; what a dyer does all day is drawn here, by seed. Part
of what is done is not written into the journal. The judgement under test sees the samples and the journal, nothing else.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from tests.vat.vats import SETTINGS, START
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.probes.lines import LineCodec, LineFormat, LineReading
from vatwatch.records import JournalEntry, Sample
from vatwatch.rehearsal.electrodes import OrpProbe, PhProbe, ProbeTraits, TemperatureProbe
from vatwatch.rehearsal.instruments import LineNoise
from vatwatch.rehearsal.liquor import SimulatedVat, VatTruth, draw_vat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.terms import EntryKind, Signal
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import VatSettings

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
CHEMISTRIES = tuple(chemistry.value for chemistry in Chemistry)
SIGNALS = {"pH": ("p-ph", Signal.PH), "ORP": ("p-orp", Signal.ORP_MV), "T": ("p-t", Signal.TEMPERATURE_C)}
SIGNALS["T2"] = ("p-t2", Signal.TEMPERATURE_C)
FORGOTTEN_SHARE = 0.1
"""Deeds the dyer does not write down."""

# grams per litre of liquor and feed: modest amounts, so that a month of feeding does not drown the vat
_FEEDS: dict[str, tuple[tuple[str, float], ...]] = {
    "hydrosulfite": (("hydrosulfite", 0.4), ("soda ash", 0.6)),
    "thiourea-dioxide": (("thiourea dioxide", 0.25), ("soda ash", 0.6)),
    "fructose-lime": (("fructose", 0.5), ("lime", 0.15)),
    "iron-lime": (("copperas", 0.4), ("lime", 0.3)),
    "zinc-lime": (("zinc", 0.25), ("lime", 0.2)),
    "leaf-ash": (("bran", 1.0), ("potash", 0.5)),
    "woad": (("bran", 0.8), ("potash", 0.4)),
    "bran-madder": (("bran", 0.8), ("soda ash", 0.4)),
}

Change = Callable[[float], float]


@dataclass(slots=True)
class Shed:
    """One vat with its meter. `wrong` is what a broken meter makes of a probe's number, by the probe's name on the line."""

    seed: str
    chemistry: str
    days: float
    scan_ms: int = 10_000
    troubles: bool = True
    line_noise: float = 0.005
    second_thermometer: bool | None = None
    wrong: dict[str, Change] = field(default_factory=dict)
    rng: random.Random = field(init=False)
    vat: SimulatedVat = field(init=False)
    settings: VatSettings = field(init=False)
    probes: dict[str, PhProbe | OrpProbe | TemperatureProbe] = field(init=False)
    journal: list[JournalEntry] = field(init=False)

    def __post_init__(self) -> None:
        self.rng = random.Random(f"shed/{self.seed}/{self.chemistry}")
        rng = self.rng
        self.vat = draw_vat(rng.randrange(1 << 30), self.chemistry, START, MINUTE)
        self.probes = {
            "pH": PhProbe(
                ProbeTraits(
                    rng.uniform(0.004, 0.02), rng.gauss(0.0, 0.05), rng.uniform(0.94, 1.0), rng.uniform(8.0, 40.0), 0.01
                ),
                f"{self.seed}/ph",
            ),
            "ORP": OrpProbe(
                ProbeTraits(
                    rng.uniform(0.3, 2.0), rng.gauss(0.0, 6.0), 1.0, rng.uniform(15.0, 60.0), rng.choice((0.1, 1.0))
                ),
                f"{self.seed}/orp",
            ),
        }
        second = rng.random() < 0.5
        if self.second_thermometer is not None:
            second = self.second_thermometer
        for name in ("T", "T2") if second else ("T",):
            traits = ProbeTraits(
                rng.uniform(0.0, 0.05),
                rng.gauss(0.0, 0.2),
                1.0,
                rng.uniform(8.0, 30.0),
                rng.choice((0.01, 0.0625, 0.1)),
            )
            self.probes[name] = TemperatureProbe(traits, f"{self.seed}/{name}")
        self.settings = self._settings()
        self.journal = sorted(self._life(), key=lambda entry: entry.time_ms)

    def _settings(self) -> VatSettings:
        recipe = RECIPES[Chemistry(self.chemistry)]
        # The probes drawn above stray as those do that nobody has calibrated; the settings must claim no more.
        ph, orp, t = (
            replace(probe, ph_calibration=PhCalibration(), orp_calibration=OrpCalibration())
            for probe in SETTINGS.probes
        )
        second = (replace(t, probe="p-t2"),) if "T2" in self.probes else ()
        window = replace(
            SETTINGS.window,
            temperature_low_c=recipe.work_c[0], temperature_high_c=recipe.work_c[1], ceiling_c=recipe.ceiling_c,
        )  # fmt: skip
        return replace(
            SETTINGS,
            recipe=recipe,
            alkali=recipe.alkali,
            warmed=self.vat.recipe.setpoint_c is not None,
            window=window,
            scan_ms=self.scan_ms,
            probes=(ph, orp, t, *second),
        )

    # --- what the dyer does ---

    def _life(self) -> Iterator[JournalEntry]:
        rng = self.rng
        for day in range(int(self.days) + 1):
            midnight = START + day * DAY

            def at(low: float, high: float, midnight: int = midnight) -> int:
                return midnight + round(rng.uniform(low, high) * 60) * MINUTE

            yield self.entry(at(7, 9), EntryKind.STIR, minutes=rng.uniform(0.5, 3.0))
            yield self.entry(at(18, 21), EntryKind.STIR, minutes=rng.uniform(0.5, 3.0))
            for low, high in ((9, 12), (15, 18)):
                if rng.random() < 0.8:
                    when = at(low, high)
                    for what, grams_per_l in _FEEDS[self.chemistry]:
                        if rng.random() < 0.8:
                            grams = grams_per_l * self.vat.recipe.volume_l * rng.lognormvariate(0.0, 0.4)
                            yield self.entry(when, EntryKind.FEED, what=what, grams=grams)
            if rng.random() < 0.5:
                for _ in range(rng.randrange(2, 8)):
                    yield self.entry(at(10, 18), EntryKind.DIP, grams=rng.uniform(50, 250), minutes=rng.uniform(1, 6))
            if rng.random() < 0.3:
                yield self.entry(at(8, 20), EntryKind.TOP_UP, litres=self.vat.recipe.volume_l * rng.uniform(0.01, 0.07))
            if rng.random() < 0.1:
                yield self.entry(at(8, 12), EntryKind.COVER, what="open")
                yield self.entry(at(13, 20), EntryKind.COVER, what="on")
            if self.troubles and rng.random() < 0.15:
                self._trouble(at)

    def _trouble(self, at: Callable[[float, float], int]) -> None:
        """Something goes wrong with the liquor or the heater: none of a probe's business."""
        start = at(6, 14)
        first, then = self.rng.choice(
            (
                (Mishap.REDUCTANT_GONE, None),
                (Mishap.CO2_CREEP, None),
                (Mishap.LID_OFF, Mishap.LID_ON),
                (Mishap.COLD_SNAP, Mishap.COLD_SNAP_OVER),
                (Mishap.HEATER_STUCK_ON, Mishap.HEATER_MENDED),
                (Mishap.PLUG_PULLED, Mishap.PLUG_BACK),
                (Mishap.WATERED_DOWN, None),
            )
        )
        amount = self.vat.recipe.volume_l * 0.04 if first is Mishap.WATERED_DOWN else None
        self.vat.befall(start, first, amount)
        if then is not None:
            self.vat.befall(start + round(self.rng.uniform(30, 240)) * MINUTE, then)

    def entry(
        self, time_ms: int, kind: EntryKind, what: str = "", grams: float | None = None, litres: float | None = None,
        minutes: float | None = None,
    ) -> JournalEntry:  # fmt: skip
        logged = -1 if self.rng.random() < FORGOTTEN_SHARE else time_ms + self.rng.randrange(0, 5) * MINUTE
        return JournalEntry(
            f"{kind.value}-{time_ms}-{what}", time_ms, logged, "plain", kind, what, grams, litres, minutes
        )

    # --- what the meter says ---

    def slots(self) -> Iterator[tuple[int, list[Sample], list[JournalEntry], VatTruth]]:
        """Slot by slot: its end, the samples of one meter line, the journal that was written, and the hidden truth."""
        fields = tuple(self.probes)
        digits = {name: 4 if probe.traits.resolution == 0.0625 else 2 for name, probe in self.probes.items()}
        pattern = ";".join(rf"{name}=(?P<{name}>-?\d+\.\d+)" for name in fields)
        codec = LineCodec(LineFormat(pattern=pattern))
        noise = LineNoise(self.line_noise, f"{self.seed}/line")
        for entry in self.journal:
            self.vat.apply(entry)
        todo = sorted((e for e in self.journal if e.logged_ms >= 0), key=lambda e: e.logged_ms)
        clean = True
        for number in range(1, round(self.days * DAY / self.scan_ms) + 1):
            slot_ms = START + number * self.scan_ms
            at = slot_ms - self.scan_ms // 2
            self.vat.advance(slot_ms)
            truth = self.vat.truth()
            read = {name: probe.read(at, truth) for name, probe in self.probes.items()}
            for name, change in self.wrong.items():
                read[name] = change(read[name])
            frame = ";".join(f"{name}={value:.{digits[name]}f}" for name, value in read.items()).encode() + b"\r\n"
            spoilt = noise.spoil(frame)
            if clean and spoilt is frame:
                values = {name: round(value, digits[name]) for name, value in read.items()}
            else:
                readings = [one for one in codec.feed(spoilt) if isinstance(one, LineReading)]
                values = dict(readings[-1].values) if readings else {}
                clean = spoilt.endswith(b"\r\n")
            samples = [Sample(at, "plain", SIGNALS[name][0], SIGNALS[name][1], value) for name, value in values.items()]
            written: list[JournalEntry] = []
            while todo and todo[0].logged_ms <= slot_ms:
                written.append(todo.pop(0))
            yield slot_ms, samples, written, truth
