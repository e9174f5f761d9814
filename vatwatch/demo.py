"""The rehearsed night: the real daemon, reading real pseudo-terminals behind which two simulated vats stand.

Everything after the serial port is the program as it runs beside a vat; only time runs faster. It leaves its settings
file and its record behind, so that every other command can be tried on them.
"""

from __future__ import annotations

import logging
import socket
import time
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from vatwatch.clock import ScaledClock
from vatwatch.config import load_config
from vatwatch.daemon import Daemon
from vatwatch.errors import VatwatchError
from vatwatch.page import wording
from vatwatch.records import AlarmAction, JournalEntry, Numbered, Push
from vatwatch.rehearsal.night import HERON, QUINCE, NightRehearsal, build_night
from vatwatch.season.hours import time_by_condition
from vatwatch.store.reading import StoreReader
from vatwatch.terminal import vat_panel
from vatwatch.terms import Stream

ZONE = "UTC"
EVENING_HOUR = 19
FRAME_S = 0.25
SETTLE_IN_S = 0.5
STALE_S = 240
"""At 480 × this is half a real second: a busy machine must not look like a pulled cable."""
CAUTIONS = (
    "The vats are simulated. At a real one: hot caustic burns, so goggles and gloves; hydrosulfite heats itself when "
    "damp; heaters near liquid need a thermal cut-out and a residual-current device of their own, fitted by a licensed "
    "person. "
    "Labels and local codes come first. vatwatch switches nothing on or off and is not a safety device."
)

_SETTINGS = """\
# Settings of the rehearsed night. A real file looks the same; only the ports would be real ones.
[site]
id = "rehearsal"
name = "The rehearsal shed"
timezone = "{zone}"
data = "record"
scan_s = 10

[night]
evening = 20:00:00
morning = 06:45:00

[page]
port = {page_port}

[vat.{quince}]
name = "Quince"
chemistry = "fructose-lime"
fibre = "cellulose"
volume_l = 40

[vat.{heron}]
name = "Heron"
chemistry = "hydrosulfite"
fibre = "protein"
volume_l = 25
warmed = true

# A meter that sends a line by itself, such as: pH=10.84;ORP=-612.4;T=41.27
[port.{quince}]
device = "{quince_port}"

[[port.{quince}.line]]
pattern = 'pH=(?P<ph>-?[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<temperature>-?[0-9.]+)'

# A meter that answers when asked: R is answered with 10.84,-612.4,41.27
[port.{heron}]
device = "{heron_port}"
ask_every_s = 5

[[port.{heron}.line]]
ask = "R\\r"
terminator = "\\r"
delimiter = ","
fields = ["ph", "orp", "temperature"]
"""

_PROBES = """
[probe.{vat}-ph]
vat = "{vat}"
port = "{vat}"
field = "ph"
signal = "ph"
stale_after_s = {stale_s}

[probe.{vat}-orp]
vat = "{vat}"
port = "{vat}"
field = "orp"
signal = "orp_mv"
reference = "{electrode}"
stale_after_s = {stale_s}

[probe.{vat}-temperature]
vat = "{vat}"
port = "{vat}"
field = "temperature"
signal = "temperature_c"
stale_after_s = {stale_s}
"""


class PushList:
    """The outlet of the demo: pushes shown on the screen, since no phone is set up."""

    name = "demo-screen"
    streams = (Stream.PUSHES,)
    coalesce = False
    idempotent = False
    batch_limit = 50

    def __init__(self, echo: Console | None) -> None:
        self.pushes: list[Push] = []
        self._echo = echo

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> None:  # noqa: ARG002 - only pushes come here
        for row in rows:
            if isinstance(row.record, Push):
                self.pushes.append(row.record)
                if self._echo is not None:
                    self._echo.print(push_panel(row.record))

    def close(self) -> None:
        """Nothing is held open."""


def push_panel(push: Push) -> Panel:
    """A push as it would stand on a phone."""
    text = push.body if not push.chart else f"{push.body}\n\n{push.chart}"
    loud = "" if push.urgency.value == "tell" else f" ({push.urgency.value})"
    return Panel(Text(text), title=f"push{loud}: {push.title}", title_align="left")


def run_demo(out: Console, speed: float, hours: float, headless: bool, into: Path) -> None:
    """Rehearse the night. Leaves settings and record in `into` (or a numbered neighbour, nothing is overwritten)."""
    logging.basicConfig(level=logging.ERROR)
    logging.getLogger("uvicorn").setLevel(logging.CRITICAL)
    out.print(Panel(Text(CAUTIONS), title="before you begin", title_align="left"))
    directory = _fresh_directory(into)
    ports = directory / "ports"
    ports.mkdir()
    start_ms = _evening_ms()
    clock = ScaledClock(start_ms, speed)
    night = build_night(clock.now_ms, start_ms, ports)
    settings_path = directory / "vatwatch.toml"
    settings_path.write_text(_settings_text(night, _free_port()), encoding="utf-8")
    pushes = PushList(out if headless else None)
    daemon = Daemon(load_config(settings_path), str(settings_path), clock, [pushes])
    end_ms = start_ms + int(hours * 3_600_000)
    night.start()
    try:
        daemon.start()
        try:
            time.sleep(SETTLE_IN_S)  # so that every port is open before the night begins
            clock.go()
            out.print(
                f"A night from 19:00 at {speed:g} × real time: about {hours * 3600 / speed:.0f} s. "
                f"The page of it is at {daemon.page_url} while it runs.",
                markup=False,
            )
            _watch(out, daemon, night, clock, end_ms, pushes, headless)
        finally:
            clock.hold()
            late = daemon.stop(timeout_s=20.0)
    finally:
        night.stop()
    if late:
        raise VatwatchError(f"the rehearsal did not end cleanly: {', '.join(late)}")
    _sum_up(out, daemon, night, pushes, directory)


def _watch(
    out: Console,
    daemon: Daemon,
    night: NightRehearsal,
    clock: ScaledClock,
    end_ms: int,
    pushes: PushList,
    headless: bool,
) -> None:
    """Hand the dyer's entries over when they are due and keep the screen fresh until the night is over."""
    script = deque(night.script)
    log: deque[str] = deque(maxlen=6)
    zone = ZoneInfo(ZONE)
    with daemon.open_reader() as reader:

        def happen(now_ms: int) -> None:
            while script and script[0][0] <= now_ms:
                at_ms, what = script.popleft()
                if isinstance(what, AlarmAction):
                    daemon.recorder.submit(what)
                    line = f"{what.vat}: the dyer has seen the alarm ({what.verb.value} {what.alarm})"
                elif isinstance(what, JournalEntry):
                    daemon.recorder.submit(what)
                    line = f"{what.vat}: {wording.entry_words(what)}"
                else:
                    line = what.text
                log.append(f"{datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}  {line}")
                if headless:
                    out.print(log[-1], markup=False)

        if headless:
            while (now_ms := clock.now_ms()) < end_ms:
                happen(now_ms)
                time.sleep(min(FRAME_S, max(0.0, (end_ms - now_ms) / 1000 / clock.rate)))
            return
        with Live(console=out, refresh_per_second=1 / FRAME_S, transient=True) as live:
            while (now_ms := clock.now_ms()) < end_ms:
                happen(now_ms)
                live.update(_screen(daemon, reader, now_ms, zone, log, pushes))
                time.sleep(FRAME_S)


def _screen(
    daemon: Daemon, reader: StoreReader, now_ms: int, zone: ZoneInfo, log: Sequence[str], pushes: PushList
) -> RenderableType:
    stale_ms = int(5_000 * daemon.clock.rate)
    parts: list[RenderableType] = [Text(f"{datetime.fromtimestamp(now_ms / 1000, zone):%H:%M}  the rehearsed night")]
    parts += [
        vat_panel(card, reader.last_scan(card.vat), now_ms, stale_ms, zone, reader.outlook(card.vat))
        for card in reader.cards()
    ]
    parts.append(Panel(Text("\n".join(log) or "nothing yet"), title="what happens", title_align="left"))
    if pushes.pushes:
        parts.append(push_panel(pushes.pushes[-1]))
    return Group(*parts)


def _sum_up(out: Console, daemon: Daemon, night: NightRehearsal, pushes: PushList, directory: Path) -> None:
    with daemon.open_reader() as reader:
        span = reader.span()
        if span is None:
            raise VatwatchError("nothing was recorded: the rehearsal ended before the first scan")
        for card in reader.cards():
            inside = total = 0
            truths = {truth.time_ms: truth.leuco_share for truth in night.bench.truths(card.vat)}
            scans = list(reader.scans(card.vat, span[0], span[1] + 1))
            for scan in scans:
                share = truths.get(scan.slot_ms)
                if share is not None and scan.reduction is not None:
                    total += 1
                    inside += scan.reduction.share_low <= share <= scan.reduction.share_high
            spent = time_by_condition(scans, span[0], span[1], daemon.config.site.scan_s * 1000)
            told = ", ".join(f"{name} {ms / 3_600_000:.1f} h" for name, ms in spent.rows() if ms >= 180_000)
            out.print(f"{card.name}: {told}.", markup=False)
            if total:
                out.print(
                    f"  The simulated truth lay inside the stated 90 % interval at {inside} of {total} looks "
                    f"({100 * inside / total:.0f} %).",
                    markup=False,
                )
    if daemon.recorder.lost_samples or daemon.recorder.lost_batches:
        out.print(f"LOST: {daemon.recorder.lost_samples} samples, {daemon.recorder.lost_batches} slots", markup=False)
    out.print(f"{len(pushes.pushes)} pushes were written:", markup=False)
    zone = ZoneInfo(ZONE)
    for push in pushes.pushes:
        out.print(f"  {datetime.fromtimestamp(push.slot_ms / 1000, zone):%H:%M}  {push.title}", markup=False)
    config = directory / "vatwatch.toml"
    out.print(
        f"\nThe record is in {directory / 'record'}, its settings in {config}.\n"
        f"Look at it again:  vatwatch review --config {config} --to {directory / 'review.html'}",
        markup=False,
        soft_wrap=True,
    )


def _settings_text(night: NightRehearsal, page_port: int) -> str:
    text = _SETTINGS.format(
        zone=ZONE,
        page_port=page_port,
        quince=QUINCE,
        heron=HERON,
        quince_port=night.ports[QUINCE],
        heron_port=night.ports[HERON],
    )
    return text + "".join(
        _PROBES.format(vat=vat, electrode=night.electrode, stale_s=STALE_S) for vat in (QUINCE, HERON)
    )


def _evening_ms() -> int:
    """The last 19:00 that has passed: a night in the past, so that nothing is dated ahead of the machine's clock."""
    now = datetime.now(UTC)
    evening = now.replace(hour=EVENING_HOUR, minute=0, second=0, microsecond=0)
    ms = int(evening.timestamp() * 1000)
    # A whole night must fit between that evening and now.
    while ms + 43_200_000 > now.timestamp() * 1000:
        ms -= 86_400_000
    return ms


def _fresh_directory(into: Path) -> Path:
    for number in range(1, 1000):
        path = into if number == 1 else into.with_name(f"{into.name}-{number}")
        try:
            path.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise VatwatchError(f"cannot make {path} ({error.strerror}); name another place with --into") from error
        return path.resolve()
    raise VatwatchError(
        f"there are a thousand demos beside {into} already; remove some or name another place with --into"
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
