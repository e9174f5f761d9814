"""The judgement's shortcuts change nothing: every one of them beside the plain formulation it stands for.

The step runs hundreds of times a second in a back-test, so it leaves out what cannot change: alarms that stay as they
are, tables of a belief that stands, limits that follow from the settings alone. Here the same troubled days are judged with
the plain formulations in their place, and every record and state must be the same to the last bit. Whoever changes one of
these functions changes its plain form here too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.benchmarks.replay.trouble import Troubled
from tests.vat.vats import SETTINGS
from vatwatch.chemistry import indigo, nernst
from vatwatch.records import AlarmAction, AlarmEvent, Push, Reduction, Sample, Scan
from vatwatch.terms import AlarmState, Flag, Urgency
from vatwatch.vat import alarms, estimate, pipeline, window
from vatwatch.vat.alarm_set import SILENT, alarm_definitions
from vatwatch.vat.alarms import STANDING, AlarmDefinition, AlarmMemory, Situation, step_alarm
from vatwatch.vat.doings import initial_state
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.scan import ProbeMemory
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState, state_to_json
from vatwatch.vat.wording import pushes_for
from vatwatch.vat.worked_out import Once


def remember(
    memory: Mapping[str, ProbeMemory], settings: VatSettings, samples: Iterable[Sample]
) -> dict[str, ProbeMemory]:
    after = {}
    for probe in settings.probes:
        before = memory.get(probe.probe, ProbeMemory())
        mine = [s for s in samples if s.probe == probe.probe and not before.is_out(s.time_ms)]
        good = [s for s in mine if s.flag is Flag.PASS and s.value is not None]
        suspect = [s for s in mine if s.flag is Flag.SUSPECT and s.value is not None]
        bad = [s for s in mine if s.flag in (Flag.FAIL, Flag.MISSING)]
        now = good or suspect
        if now:
            after[probe.probe] = replace(
                before,
                value=median(s.value for s in now if s.value is not None),
                time_ms=max(s.time_ms for s in now),
                trouble="",
                trouble_flag=Flag.MISSING,
                doubt="" if good else suspect[-1].reason or "suspect",
            )
        elif bad:
            after[probe.probe] = replace(before, trouble=bad[-1].reason, trouble_flag=bad[-1].flag)
        else:
            after[probe.probe] = before
    return after


def limits_of(settings: VatSettings, temperature_c: float | None) -> dict[str, Limit]:
    own, bands = settings.window, settings.deadbands
    at_c = 25.0 if temperature_c is None else min(max(temperature_c, 0.0), 100.0)
    return {
        window.OFF_REDUCTION: Limit(Side.LOW, estimate.margin_of_share(own.reduction_low, at_c), bands.margin_mv),
        window.OFF_PH_LOW: Limit(Side.LOW, own.ph_low, bands.ph),
        window.OFF_PH_HIGH: Limit(Side.HIGH, own.ph_high, bands.ph),
        window.OFF_COLD: Limit(Side.LOW, own.temperature_low_c, bands.temperature_c),
        window.OFF_WARM: Limit(Side.HIGH, own.temperature_high_c, bands.temperature_c),
        window.OVERHEAT: Limit(Side.HIGH, own.ceiling_c, bands.temperature_c),
    }


def hold_against_limits(
    state: VatState, values: dict[str, float | None], limits: dict[str, Limit]
) -> tuple[dict[str, bool], tuple[str, ...]]:
    beyond, inside = dict(state.beyond), set(state.been_inside)
    for name, limit in limits.items():
        value = values[name]
        if value is not None:
            beyond[name] = limit.beyond(value, beyond.get(name, False))
            if not beyond[name]:
                inside.add(name)
    return beyond, tuple(sorted(inside))


def estimate_reduction(couple: estimate.Couple, belief: estimate.OffsetBelief, share_limit: float) -> Reduction:
    sigma = max(0.5, round(couple.sigma_mv / 0.5) * 0.5)
    spread = estimate._Spread(belief, sigma)
    low, middle, high = (couple.margin_mv + spread.quantile(p) for p in (0.05, 0.5, 0.95))
    t = couple.temperature_c
    share, share_low, share_high = (indigo.reduced_share(-margin, 0.0, t) for margin in (middle, low, high))
    return Reduction(
        share=min(share, 0.99),
        share_low=min(share_low, 0.99),
        share_high=1.0 if share_high >= 0.99 else share_high,
        margin_mv=middle,
        margin_mv_sigma=(high - low) / (2.0 * estimate._NORMAL_95),
        saturated=share >= 0.99,
        probability_fit=spread.probability_above(estimate.margin_of_share(share_limit, t) - couple.margin_mv),
    )


def run_alarms(
    state: VatState,
    settings: VatSettings,
    scan: Scan,
    judged: Mapping[str, Situation],
    actions: Sequence[AlarmAction],
) -> tuple[VatState, list[AlarmEvent], list[Push]]:
    memories = dict(state.alarms)
    events: list[AlarmEvent] = []
    told: list[tuple[AlarmEvent, Urgency]] = []
    for name, definition in alarm_definitions(settings).items():
        hot = memories.get(window.OVERHEAT, AlarmMemory()).state in STANDING
        if hot and name in SILENT.values() and name.endswith("temperature"):
            definition = replace(definition, urgency=Urgency.DANGER, timing=settings.overheat_timing)
        mine = [action for action in actions if action.alarm == name]
        memories[name], fired = step_alarm(
            definition, memories.get(name, AlarmMemory()), scan.slot_ms, settings.vat, judged[name], mine
        )
        if not judged[name].moot:
            told.extend((event, definition.urgency) for event in fired)
        events.extend(fired)
    state = replace(state, alarms=memories)
    return state, events, pushes_for(told, settings, scan, state)


def never(*_: object) -> bool:
    return False


def judged_days(chemistry: str, number: int) -> list[str]:
    """Everything a troubled day gives, as text, and the state now and then."""
    span = Troubled(chemistry, number, 1)
    state = initial_state(span.settings)
    found = []
    for count, given_now in enumerate(span.slots()):
        state, result, error = pipeline.step_or_unknown(span.settings, state, *given_now)
        found.append(repr((result, error)))
        if count % 200 == 0:
            found.append(state_to_json(state))
    return [*found, state_to_json(state)]


@pytest.mark.parametrize(("chemistry", "number"), [("hydrosulfite", 0), ("iron-lime", 1)])
def test_a_troubled_day_is_judged_as_by_the_plain_formulations(
    chemistry: str, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = judged_days(chemistry, number)
    taken: set[str] = set()

    def instead(where: object, name: str, plain: Any) -> None:
        def spelt_out(*args: Any) -> Any:
            taken.add(name)
            return plain(*args)

        assert hasattr(where, name)
        monkeypatch.setattr(where, name, spelt_out)

    instead(pipeline, "remember", remember)
    instead(pipeline, "_hold_against_limits", hold_against_limits)
    instead(pipeline, "estimate_reduction", estimate_reduction)
    instead(pipeline, "run_alarms", run_alarms)
    instead(window, "limits_of", limits_of)
    instead(alarms, "stays_as_it_is", never)
    instead(nernst, "_thermal_mv", nernst._thermal_mv.__wrapped__)
    instead(indigo, "_pka_and_neutral", indigo._pka_and_neutral.__wrapped__)
    monkeypatch.setattr(Once, "__call__", lambda self, of: self._work(of))
    plain = judged_days(chemistry, number)
    assert len(taken) == 8, f"not every plain form was asked: {taken}"
    differing = [(a, b) for a, b in zip(quick, plain, strict=True) if a != b]
    assert not differing, f"{len(differing)} of {len(plain)} differ, first:\n{differing[0][0]}\n{differing[0][1]}"


STATES = st.one_of(st.sampled_from([AlarmState.NORMAL, AlarmState.SUPPRESSED]), st.sampled_from(AlarmState))
TIMES = st.integers(0, 100_000)
MEMORIES = st.builds(
    lambda state, beyond, inside, raised, shelved: AlarmMemory(
        # A shelving's end is never remembered outside of being shelved: `step_alarm` clears it in the same slot.
        state, 2, beyond, inside, raised, shelved if state is AlarmState.SHELVED else None
    ),
    STATES,
    st.one_of(st.none(), st.none(), TIMES),
    st.one_of(TIMES, TIMES, st.none()),
    st.one_of(st.none(), TIMES),
    TIMES,
)  # fmt: skip


@given(
    MEMORIES,
    st.tuples(st.sampled_from([False, False, True, None]), st.booleans(), st.booleans(), st.booleans()),
    st.sampled_from(list(alarm_definitions(SETTINGS).values())),
)
@settings(max_examples=1000, deadline=None)
def test_an_alarm_said_to_stay_as_it_is_does_so(
    memory: AlarmMemory, shown: tuple[bool | None, bool, bool, bool], definition: AlarmDefinition
) -> None:
    """Without the shortcut the whole life of the alarm is run, and gives the same memory and the same events."""
    beyond, suppressed, moot, further = shown
    situation = Situation(beyond, None, None, suppressed, moot, further)
    quick = step_alarm(definition, memory, 200_000, "v", situation)
    if alarms.stays_as_it_is(memory, situation):
        assert quick == (memory, [])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(alarms, "stays_as_it_is", never)
        assert step_alarm(definition, memory, 200_000, "v", situation) == quick


def test_what_was_worked_out_of_one_object_is_not_given_for_another() -> None:
    """Also when the first is gone and its place in memory is taken, and when far more are asked for than are kept."""
    length: Once[tuple[int, ...], int] = Once(len)
    assert [length(tuple(range(n % 400))) for n in range(1000)] == [n % 400 for n in range(1000)]
