"""The command that replays the season with other settings."""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.table import Table

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, err, out
from vatwatch.errors import VatwatchError

if TYPE_CHECKING:
    from vatwatch.season.replay import VatReplay
    from vatwatch.season.searching import SearchFinding
    from vatwatch.store.reading import StoreReader
    from vatwatch.trial_settings import Change

DAY_MS = 86_400_000
USUAL_GRID = ("vat.*.alarms.warn_ahead_h=2,3,4,6", "vat.*.alarms.off_after_min=5,15,30")
MOST_TRIED = 64


@app.command()
def backtest(
    config: ConfigOption = DEFAULT_CONFIG,
    change: Annotated[
        list[str] | None,
        typer.Option(
            "--set", help="a setting to try, such as vat.quince.alarms.warn_ahead_h=4 (vat.* means every vat)"
        ),
    ] = None,
    other: Annotated[
        Path | None, typer.Option("--with", help="a second settings file: its vats' tables are tried")
    ] = None,
    vat: Annotated[list[str] | None, typer.Option("--vat", help="only this vat; may be given again")] = None,
    days: Annotated[float | None, typer.Option(min=0.01, help="count only the last so many days")] = None,
    lead: Annotated[
        float, typer.Option(min=0.0, max=24.0, help="a warning counts as early from so many hours on")
    ] = 2.0,
    search: Annotated[
        bool, typer.Option("--search", help="look for the settings with the fewest needless messages")
    ] = False,
    choices: Annotated[
        list[str] | None,
        typer.Option(
            "--try", help="values to search among, such as vat.*.alarms.warn_ahead_h=2,3,4 (may be given again)"
        ),
    ] = None,
) -> None:
    """Replay the record: unchanged, to prove it; or with other settings, to see which messages would have come."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.store.reading import StoreReader
    from vatwatch.trial_settings import parse_change, refuse_unknown_vats, tables_of_file

    settings = load_config(config)
    changes = [parse_change(text) for text in change or []]
    tables = None if other is None else tables_of_file(other)
    if search and (changes or tables):
        raise VatwatchError("--search tries settings of its own: give what to try with --try, without --set and --with")
    with StoreReader(settings.site.data / STORE_NAME) as reader:
        span = reader.span()
        if span is None:
            raise VatwatchError("the record is still empty: there is nothing to replay yet")
        from_ms = 0 if days is None else int(span[1] - days * DAY_MS)
        refuse_unknown_vats(reader, changes, tables)
        names = _vats(reader, vat or [])
        if search:
            grid = _grid(choices or list(USUAL_GRID))
            replays = _replayed(reader, names, [(row, None) for row in grid], from_ms)
            _show_search(replays, [", ".join(str(one) for one in row) for row in grid], lead, settings.site.timezone)
            return
        tried = [(changes, tables)] if changes or tables else []
        replays = _replayed(reader, names, tried, from_ms)
        cards = {card.vat: card.name for card in reader.cards()}
    _show(replays, cards, lead, settings.site.timezone)


def _vats(reader: StoreReader, wanted: Sequence[str]) -> list[str]:
    known = reader.vats()
    for name in wanted:
        if name not in known:
            raise VatwatchError(f"--vat: there is no vat {name!r} in the record; known: {', '.join(known)}")
    return list(wanted) or known


def _grid(choices: Sequence[str]) -> list[list[Change]]:
    from vatwatch.trial_settings import parse_choices

    grid = [list(row) for row in itertools.product(*(parse_choices(text) for text in choices))]
    if len(grid) > MOST_TRIED:
        raise VatwatchError(
            f"--try: {len(grid)} settings would be tried; expected at most {MOST_TRIED}. The more are tried on one record, "
            "the less the best of them means."
        )
    return grid


def _replayed(
    reader: StoreReader,
    names: Sequence[str],
    tried: Sequence[tuple[list[Change], dict[str, object] | None]],
    from_ms: int,
) -> list[VatReplay]:
    """Every vat replayed unchanged and with each of `tried`, with a bar and, at the end, the speed."""
    from vatwatch.season.replay import replay_vat
    from vatwatch.trial_settings import settings_by_version

    recorded = settings_by_version(reader)
    others = [settings_by_version(reader, changes, tables) for changes, tables in tried]
    found = []
    began = time.perf_counter()
    columns = TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn()
    with Progress(*columns, console=err, transient=True) as bar:
        for name in names:
            first, last = _span(reader, name)
            task = bar.add_task(f"replaying {name}", total=max(1, last - first))

            def moved(slot_ms: int, task: object = task, first: int = first) -> None:
                bar.update(task, completed=slot_ms - first)  # type: ignore[arg-type]

            replay = replay_vat(
                name, reader.replay_slots(name, 0, 2**62), recorded(name), [of(name) for of in others], from_ms, moved
            )
            bar.update(task, completed=max(1, last - first))
            if replay.slots:
                found.append(replay)
    took = time.perf_counter() - began
    if not found:
        raise VatwatchError("no slot of these vats lies in that span: there is nothing to replay")
    judged_s = sum(replay.judged * replay.scan_ms for replay in found) / 1000
    slots = sum(replay.judged for replay in found)
    speed = f"{judged_s / took:,.0f}".replace(",", " ")
    out.print(
        f"{slots} slots of {len(found)} {'vat' if len(found) == 1 else 'vats'}, each judged "
        f"{_times(1 + len(tried))}, in {took:.1f} s: {speed} × real time.",
        markup=False,
    )
    return found


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _span(reader: StoreReader, vat: str) -> tuple[int, int]:
    last = reader.last_scan(vat)
    span = reader.span()
    return (0, 1) if last is None or span is None else (span[0], last.slot_ms)


def _show(replays: Sequence[VatReplay], names: dict[str, str], lead_h: float, timezone: str) -> None:
    from zoneinfo import ZoneInfo

    from vatwatch.season import backtest_words
    from vatwatch.season.backtest import backtest_of
    from vatwatch.season.words import Wording

    clock = Wording(ZoneInfo(timezone)).time
    lead_ms = round(lead_h * 3_600_000)
    differing = 0
    for replay in replays:
        found = backtest_of(replay)
        name = names.get(replay.vat, replay.vat)
        differing += found.differing
        out.print()
        out.print(backtest_words.equality_words(found, name), markup=False, soft_wrap=True)
        for example in found.examples:
            err.print(example, markup=False, soft_wrap=True)
        headings = [name, "as it was"] + ([] if found.changed is None else ["with the change"])
        table = Table(*headings, title_justify="left")
        for row in backtest_words.rows(found, lead_ms):
            table.add_row(*row[: len(headings)])
        out.print(table)
        _list("Excursions" if found.changed is None else "Excursions told otherwise",
              backtest_words.excursion_words(found, clock))  # fmt: skip
        _list("Messages that differ", backtest_words.moved_words(found.moved, clock))
    out.print()
    out.print(backtest_words.WHAT_IT_IS_NOT, markup=False)
    if differing and all(len(replay.tracks) == 1 for replay in replays):
        raise VatwatchError(f"{differing} slots do not come out as they were recorded")


def _list(heading: str, lines: Sequence[str]) -> None:
    if lines:
        out.print(f"{heading}:", markup=False)
        for line in lines:
            out.print(f"  {line}", markup=False, soft_wrap=True)


def _show_search(replays: Sequence[VatReplay], labels: Sequence[str], lead_h: float, timezone: str) -> None:
    from zoneinfo import ZoneInfo

    from vatwatch.season import backtest_words
    from vatwatch.season.searching import search_of
    from vatwatch.season.words import Wording

    finding: SearchFinding = search_of(replays, labels, round(lead_h * 3_600_000))
    table = Table("settings", "messages", "needless", "told in time", "missed", "needless, 1st half", "2nd half")
    for one in finding.tried:
        table.add_row(
            one.label or "as it was",
            str(one.whole.pushes),
            str(one.whole.needless),
            f"{one.whole.ahead} of {one.whole.excursions}",
            str(one.whole.missed),
            str(one.first.needless),
            str(one.second.needless),
        )
    out.print(table)
    out.print(
        f"Told in time: at least {lead_h:g} h ahead. The halves meet on "
        f"{Wording(ZoneInfo(timezone)).time(finding.middle_ms)}.",
        markup=False,
    )
    for line in backtest_words.search_words(finding):
        out.print(line, markup=False, soft_wrap=True)
    out.print(backtest_words.WHAT_IT_IS_NOT, markup=False)
