"""What to do about an alarm, in plain words. Never a dosing command: amounts only from what is known.

This first version knows the recipe, the last feed and which way things move; it never suggests acid. Amounts in grams
come with the alkali and oxygen budgets; until they can be told, it says what to measure instead.
"""

from __future__ import annotations

from vatwatch.vat import window as limits
from vatwatch.vat.settings import HOUR_MS, VatSettings
from vatwatch.vat.state import Doing

_REST = "stir gently, cover, rest {rest:.0f} min, then read again"
FALLING_C_PER_HOUR = 0.5
DO_NOT_DYE = "Do not dye yet: cloth would take up loose pigment that rubs off."


def what_to_do(
    alarm: str, settings: VatSettings, last_feed: Doing | None, now_ms: int, per_hour: float | None = None
) -> str:
    """One or two sentences for one alarm kind. `per_hour`: how the alarm's own quantity moves, if known."""
    rest = _REST.format(rest=settings.window.settle_ms / 60_000)
    recipe = settings.recipe
    match alarm:
        case limits.OFF_REDUCTION:
            return f"Feed {recipe.feeding}. {_usual_feed(last_feed, now_ms)}{rest[0].upper()}{rest[1:]}. {DO_NOT_DYE}"
        case limits.OFF_PH_LOW:
            return (
                f"Sharpen with {recipe.alkali_words}: dissolve a little in water first, {rest}. "
                f"Look at the reductant too: a spent vat turns sour. {DO_NOT_DYE}"
            )
        case limits.OFF_PH_HIGH:
            return (
                "Give no more alkali. Let it rest: feeding and air bring the pH down by themselves. Never add acid. "
                + ("Wool and silk suffer at this pH. " if settings.fibre == "protein" else "")
            ).strip()
        case limits.OFF_COLD:
            warm = "Look whether the heater and its thermostat still work, by hand" if settings.warmed else "Warm it"
            return f"{warm}, keep the lid on, and wait until it is back at {settings.window.temperature_low_c:g} °C."
        case limits.OFF_WARM:
            if per_hour is not None and per_hour < -FALLING_C_PER_HOUR:
                return "It is cooling by itself: leave the heater as it is and wait."
            return "Turn the thermostat down, or the heat off, and watch it: it should not climb further."
        case limits.OVERHEAT:
            switch = (
                "Switch the heater off at the wall now. " if settings.warmed else "Take it away from the heat now. "
            )
            return (
                switch + "vatwatch switches nothing and is not a safety device. "
                "Keep hands and cloth out of the hot liquor; let it cool with the lid ajar."
            )
        case _ if alarm.startswith("silent-"):
            own_look = (
                "This vat is warmed: look at a thermometer and at the heater yourself until the probe is back. "
                if alarm == "silent-temperature" and settings.warmed
                else ""
            )
            return own_look + "Check plug, cable and adapter; `vatwatch check` says what the port does."
        case _:
            return "Look at the vat."


def _usual_feed(last_feed: Doing | None, now_ms: int) -> str:
    if last_feed is None:
        return "No feed is in the journal yet, so no amount is given: start small and log it. "
    what = last_feed.what or "feed"
    hours = max(0, round((now_ms - last_feed.time_ms) / HOUR_MS))
    if last_feed.grams is None:
        return f"Your last feed ({what}) was {hours} h ago; its amount was not logged, so none is given. "
    return f"Your last feed was {last_feed.grams:g} g {what}, {hours} h ago: start with half of that. "
