"""Whether a change to the judgement's code changes any result: digests of everything it gives over a troubled span.

    python -m tests.benchmarks.replay.digest > before      # then change the code
    python -m tests.benchmarks.replay.digest | diff before -

All eight chemistries, four days each (`trouble`), with the state through its text form on the way; half a minute. Digests
are not kept in the repository: tuning a threshold changes them, and should.
"""

from __future__ import annotations

import hashlib

from tests.benchmarks.replay.trouble import Troubled
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.recipes import Chemistry
from vatwatch.vat.state import state_from_json, state_to_json

DAYS = 4


def digest_of(chemistry: str, number: int) -> str:
    """Digest of all results and of the last state; steps, slots that failed, alarm events and pushes beside it."""
    span = Troubled(chemistry, number, DAYS)
    state = initial_state(span.settings)
    digest = hashlib.sha256()
    steps = failed = events = pushes = 0
    for given in span.slots():
        state, result, error = step_or_unknown(span.settings, state, *given)
        digest.update(repr((result, error)).encode())
        steps, failed = steps + 1, failed + (error is not None)
        events, pushes = events + len(result.alarm_events), pushes + len(result.pushes)
        if steps % 500 == 0:
            text = state_to_json(state)
            digest.update(text.encode())
            if steps % 1000 == 0:
                state = state_from_json(text)
    digest.update(state_to_json(state).encode())
    return f"{chemistry:18} {digest.hexdigest()[:24]} {steps} steps, {failed} failed, {events} events, {pushes} pushes"


def main() -> None:
    for number, chemistry in enumerate(Chemistry):
        print(digest_of(chemistry.value, number), flush=True)


if __name__ == "__main__":
    main()
