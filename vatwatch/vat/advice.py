"""What to do about an alarm, in plain words. Never a dosing command: amounts are ranges, from what is known.

Never suggests acid. Where something has to be fed, the caution that belongs to it stands beside it.
"""

from __future__ import annotations

from vatwatch.chemistry.alkali import Alkali
from vatwatch.records import Scan
from vatwatch.vat import phrases, tiring
from vatwatch.vat import window as limits
from vatwatch.vat.alarms import STANDING
from vatwatch.vat.amounts import ALKALI_WORDS, NEEDS_NONE_YET, Dose, NoDose, aim_ph_25c, alkali_dose, reductant_dose
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

FALLING_C_PER_HOUR = 0.5
DO_NOT_DYE = "Do not dye yet: cloth would take up loose pigment that rubs off."
_ALKALI_CARE = {
    Alkali.LIME: "Goggles and gloves: lime burns eyes.",
    Alkali.SODA_ASH: "Goggles and gloves.",
    Alkali.CAUSTIC_SODA: "Goggles and gloves: caustic burns; stir it into cold water first, never the other way.",
    Alkali.POTASH: "Goggles and gloves: lye burns.",
}


def what_to_do(alarm: str, settings: VatSettings, state: VatState, scan: Scan) -> str:
    """A few sentences for one alarm."""
    match alarm:
        case limits.OFF_REDUCTION:
            return f"{_feed(settings, state, scan)} {DO_NOT_DYE}"
        case tiring.TIRING_REDUCTION:
            return f"{_feed(settings, state, scan)} If you want to dye, dye before then."
        case limits.OFF_PH_LOW:
            return f"{_sharpen(settings, state, scan)} Look at the reductant too: a spent vat turns sour. {DO_NOT_DYE}"
        case tiring.TIRING_PH:
            return _sharpen(settings, state, scan)
        case limits.OFF_PH_HIGH:
            fibre = " Wool and silk suffer at this pH." if settings.fibre == "protein" else ""
            return f"Give no more alkali and let it rest: air and feeding bring the pH down. Never add acid.{fibre}"
        case limits.OFF_COLD | tiring.COOLING:
            return _warm(settings)
        case limits.OFF_WARM:
            return _too_warm(settings, state)
        case limits.OVERHEAT:
            return _too_hot(settings, state)
        case tiring.HEATING:
            return (
                "Look at it now. If the heater runs on, switch it off at the wall. "
                "vatwatch switches nothing and is not a safety device."
            )
        case tiring.DOUBTFUL:
            return (
                "Look at a spoonful of clear liquor and log what you see as a check. If it is not yellow-green to amber, "
                "feed before you dye. It may be near its limit, and nobody can be sure; a look makes the estimate surer."
            )
        case tiring.UNLOGGED:
            return (
                f"It looks as if it was {state.ahead.unlogged}. If so, log it, so that settling and feeds are counted."
            )
        case "silent-temperature" if settings.warmed or _standing(state, limits.OVERHEAT):
            return (
                "Look at a thermometer and at the heater yourself until the probe is back. "
                "Then plug, cable and adapter; `vatwatch check` says what the port does."
            )
        case _:
            return "Look at plug, cable and adapter; `vatwatch check` says what the port does."


def _standing(state: VatState, alarm: str) -> bool:
    memory = state.alarms.get(alarm)
    return memory is not None and memory.state in STANDING


def _rest(settings: VatSettings) -> str:
    minutes = settings.window.settle_ms / 60_000
    return f"Start with half, stir gently without splashing, cover, rest {minutes:.0f} min, read again."


def _feed(settings: VatSettings, state: VatState, scan: Scan) -> str:
    dose = reductant_dose(settings, state, scan)
    amount = f"About {dose.words()}." if isinstance(dose, Dose) else f"No amount can be given: {dose.reason}."
    together = (
        f" {settings.recipe.feed_with[:1].upper()}{settings.recipe.feed_with[1:]}." if settings.recipe.feed_with else ""
    )
    back = f"Expect it back within about {settings.recipe.answers_h:g} hours."
    return f"Feed {settings.recipe.feeding}. {amount}{together} {_rest(settings)} {back} {_reductant_care(settings)}"


def _reductant_care(settings: VatSettings) -> str:
    match settings.recipe.reductant:
        case "hydrosulfite":
            return "Small portions, never in a wet scoop: hydrosulfite heats itself when damp. No acid near it."
        case "zinc dust":
            return "Air the room, no flame: zinc and alkali give hydrogen."
        case "bran":
            return "Air the room: a fermenting vat gives off gases."
        case _:
            return "Gloves."


def _sharpen(settings: VatSettings, state: VatState, scan: Scan) -> str:
    dose = alkali_dose(settings, state, scan)
    words, rest = ALKALI_WORDS[settings.alkali], ""
    match dose:
        case Dose():
            amount = f"About {dose.words()}."
            rest = f" The other half if it is not near {aim_ph_25c(settings):.1f} at 25 °C by then."
        case NoDose(reason) if reason == NEEDS_NONE_YET:
            at = aim_ph_25c(settings)
            return f"Nothing to add yet. Lid on, stir little; sharpen with {words} when the pH nears {at:.1f} at 25 °C."
        case NoDose():
            amount = f"No amount can be given: {dose.reason}. Go by small portions and read after each."
    return f"Sharpen with {words}, dissolved first. {amount} {_rest(settings)}{rest} {_ALKALI_CARE[settings.alkali]}"


def _warm(settings: VatSettings) -> str:
    back_at = settings.window.temperature_low_c + settings.deadbands.temperature_c
    if settings.warmed:
        return (
            "Look whether heater and thermostat still work (dry hands, plug out before you touch them), keep the lid on. "
            f"It counts as warm again at {phrases.short(back_at)} °C."
        )
    return f"Warm it gently or wrap it, keep the lid on. It counts as warm again at {phrases.short(back_at)} °C."


def _too_warm(settings: VatSettings, state: VatState) -> str:
    per_hour = phrases.lately_per_hour(phrases.TEMPERATURE, state.history)
    if per_hour is not None and per_hour < -FALLING_C_PER_HOUR:
        return "It is cooling by itself: let it."
    if settings.warmed:
        return "Turn the thermostat down, or the heat off, and watch it: it should not climb further."
    return "Take it out of the sun or the warm corner, lid ajar, and watch it: it should not climb further."


def _too_hot(settings: VatSettings, state: VatState) -> str:
    if not settings.warmed:
        return "Take it away from the heat now. Keep hands and cloth out of the hot liquor; let it cool, lid ajar."
    per_hour = phrases.lately_per_hour(phrases.TEMPERATURE, state.history)
    if per_hour is not None and per_hour < -FALLING_C_PER_HOUR:
        first = "It is cooling; see that the heater is off at the wall. "
    else:
        first = "Switch the heater off at the wall now. "
    return (
        first + "Keep hands and cloth out of the hot liquor; let it cool with the lid ajar. "
        "vatwatch switches nothing and is not a safety device."
    )
