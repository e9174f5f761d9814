"""How fast a record is replayed, where the time goes, and that memory stays flat: a record is made, then replayed.

    python -m tests.benchmarks.backtest --into DIR --days 10 --scan 10
    python -m tests.benchmarks.backtest --into DIR --days 200 --scan 10 --forms 2     a whole season of one vat

Processor seconds, not wall clock, so that a busy machine says nearly the same. The record is made once and found again.
"""

from __future__ import annotations

import argparse
import itertools
import resource
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.season.recorded import record
from vatwatch.season.replay import VatReplay, replay_vat
from vatwatch.store.reading import StoreReader
from vatwatch.trial_settings import Change, parse_change, settings_by_version

TRIALS: dict[str, list[list[Change]]] = {
    "unchanged": [],
    "and one track that tells otherwise": [[parse_change("vat.*.alarms.off_after_min=30")]],
    "and one track that judges otherwise": [[parse_change("vat.*.window.reduction_low=0.95")]],
    "and the usual search, 12 tracks": [
        [parse_change(f"vat.*.alarms.warn_ahead_h={lead}"), parse_change(f"vat.*.alarms.off_after_min={delay}")]
        for lead, delay in itertools.product((2, 3, 4, 6), (5, 15, 30))
    ],
}


def rss_mb() -> float:
    """The most this process ever held, MB (Linux gives KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(replay: Callable[[], VatReplay]) -> tuple[VatReplay, float]:
    began = time.process_time()
    found = replay()
    return found, time.process_time() - began


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, required=True, help="directory for the record")
    parser.add_argument("--days", type=float, default=10.0)
    parser.add_argument("--scan", type=int, default=10, help="seconds of one scan")
    parser.add_argument("--forms", type=int, default=len(TRIALS), help="only the first so many forms of replay")
    given = parser.parse_args(arguments)
    path = given.into / f"record-{given.days:g}-{given.scan}.db"
    if not path.exists():
        print(f"making {path} …")
        record(path, 1, given.days, given.scan, {"alarms": {"warn_ahead_h": 5}})
    with StoreReader(path) as reader:
        slots = sum(1 for _ in reader.replay_slots("vat0", 0, 2**62))
        began = time.process_time()
        for _ in reader.replay_slots("vat0", 0, 2**62):
            pass
        reading_s = time.process_time() - began
        print(f"{slots} slots of {given.scan} s; reading alone {1e6 * reading_s / slots:.0f} µs a slot")
        print(f"held at most {rss_mb():.0f} MB after reading")
        for words, trials in itertools.islice(TRIALS.items(), given.forms):
            recorded = settings_by_version(reader)("vat0")
            others = [settings_by_version(reader, changes)("vat0") for changes in trials]
            replay, took_s = timed(
                lambda recorded=recorded, others=others: replay_vat(  # type: ignore[misc]
                    "vat0", reader.replay_slots("vat0", 0, 2**62), recorded, others
                )
            )
            print(
                f"{words}: {1e6 * took_s / slots:.0f} µs a slot, {slots * given.scan / took_s:,.0f} × real time; "
                f"{replay.differing} slots differ from the record; held at most {rss_mb():.0f} MB"
            )


if __name__ == "__main__":
    main()
