"""The life of an alarm as a mermaid diagram, made from the table of transitions; writes it into DEVELOPERS.md.

python -m tests.vat.alarm_diagram
"""

from __future__ import annotations

from pathlib import Path

from vatwatch.terms import AlarmState
from vatwatch.vat.alarms import IN_SERVICE, LATCHED_ON_RETURN, TRANSITIONS, Trigger

PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- alarm diagram: begin -->", "<!-- alarm diagram: end -->"


def diagram() -> str:
    """Every transition once. What may happen in any state in service is drawn from one box that stands for them."""
    edges = []
    by_effect: dict[tuple[Trigger, AlarmState], list[AlarmState]] = {}
    for (state, trigger), target in TRANSITIONS.items():
        by_effect.setdefault((trigger, target), []).append(state)
    for (trigger, target), states in by_effect.items():
        whole = set(IN_SERVICE) <= set(states)
        sources = [_key(state) for state in states if not (whole and state in IN_SERVICE)]
        edges += [f"{source} --> {_key(target)}: {trigger.value}" for source in [*sources, *["in_service"] * whole]]
    edges += [f"{_key(a)} --> {_key(b)}: {Trigger.RETURNS.value} (latching)" for a, b in LATCHED_ON_RETURN.items()]
    names = [f'state "{state.value}" as {_key(state)}' for state in AlarmState]
    names.append(f'state "any of the first {len(IN_SERVICE)}" as in_service')
    lines = [*names, "[*] --> normal", *edges]
    return "\n".join(["```mermaid", "stateDiagram-v2", *(f"    {line}" for line in lines), "```"])


def _key(state: AlarmState) -> str:
    return state.name.lower()


def put_in(page: str) -> str:
    """The page with the diagram as the table has it now."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n{diagram()}\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    PAGE.write_text(put_in(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
