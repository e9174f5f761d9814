"""How much to feed, as a range in grams: from the alkali balance, the vat's own past responses, or trade habit.

Never a single number and never a command. Says what is missing when nothing can be said. Never acid. An amount meant to
be halved first, stirred in gently, rested, and read again.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from vatwatch.chemistry.alkali import Alkali, alkali_liquor, alkali_ph
from vatwatch.chemistry.dose import carbon_from_ph, grams_to_reach_ph
from vatwatch.errors import RangeError
from vatwatch.records import EntryKind, Scan
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

TYPICAL_STRENGTH_G_L: dict[Alkali, float] = {
    Alkali.LIME: 1.5,
    Alkali.SODA_ASH: 5.0,
    Alkali.CAUSTIC_SODA: 1.0,
    Alkali.POTASH: 5.0,
}
"""What a vat is usually made with, g/L: common practice, no source. Used only for the upper end of a range."""
ALKALI_WORDS = {
    Alkali.LIME: "lime",
    Alkali.SODA_ASH: "soda ash",
    Alkali.CAUSTIC_SODA: "caustic soda",
    Alkali.POTASH: "ash lye (potash)",
}
AIM_ABOVE_LIMIT_PH = 0.3
"""How far inside the window a dose aims, pH at 25 °C. Judgement: enough to last, not enough to overshoot."""
LEAST_RESPONSE_MV = 4.0


@dataclass(frozen=True, slots=True)
class Dose:
    """So many grams of one substance, from `low_g` to `high_g`; `why` says what the range rests on."""

    substance: str
    low_g: float
    high_g: float
    why: str

    def words(self) -> str:
        """`4 to 12 g of soda ash (…)`, rounded as kitchen scales read."""
        low, high = _round(self.low_g), _round(self.high_g)
        span = f"{low:g} g" if low == high else f"{low:g} to {high:g} g"
        return f"{span} of {self.substance} ({self.why})"


@dataclass(frozen=True, slots=True)
class NoDose:
    """Why no amount can be given, and what would have to be measured or written down."""

    reason: str


def alkali_dose(settings: VatSettings, scan: Scan) -> Dose | NoDose:
    """Alkali that brings the pH back inside, from the carbonate balance of `chemistry.dose`.

    The low end takes the liquor as free of carbonate; the high end takes its whole strength as given (or as usual) and
    the fall of the pH as carbonic acid taken up.
    """
    if settings.volume_l is None:
        return NoDose("the vat's volume is not in the settings (volume_l)")
    if scan.ph_25c is None:
        return NoDose("the pH is not known at the moment")
    aim = min(settings.window.ph_low + AIM_ABOVE_LIMIT_PH, (settings.window.ph_low + settings.window.ph_high) / 2)
    if scan.ph_25c >= aim:
        return NoDose("the pH needs none")
    strength = settings.alkali_g_l or TYPICAL_STRENGTH_G_L[settings.alkali]
    try:
        clean = grams_to_reach_ph(
            alkali_liquor(settings.alkali, _strength_showing(settings.alkali, scan.ph_25c)),
            settings.alkali,
            aim,
            settings.volume_l,
            25.0,
        )
    except RangeError as error:
        return NoDose(str(error))
    try:
        spent_liquor = carbon_from_ph(alkali_liquor(settings.alkali, strength), scan.ph_25c, 25.0)
        spent = grams_to_reach_ph(spent_liquor, settings.alkali, aim, settings.volume_l, 25.0)
    except RangeError:
        spent = 3.0 * clean
    low, high = sorted((clean, spent))
    known = "as made with" if settings.alkali_g_l else "if made with the usual"
    why = f"the more, the more carbonic acid it has taken up; {known} {strength:g} g/l"
    return Dose(ALKALI_WORDS[settings.alkali], low, high, why)


def _strength_showing(alkali: Alkali, ph_25c: float) -> float:
    """g/L of fresh alkali that show a pH at 25 °C, by halving (the pH rises with strength)."""
    low, high = 0.0, 20.0 if alkali is not Alkali.LIME else 1.4
    if alkali_ph(alkali, high, 25.0) <= ph_25c:
        return high
    for _ in range(30):
        middle = 0.5 * (low + high)
        if alkali_ph(alkali, middle, 25.0) < ph_25c:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def reductant_dose(settings: VatSettings, state: VatState, scan: Scan) -> Dose | NoDose:
    """Reductant that brings the margin back: from this vat's own feeds where they showed something, else trade habit."""
    if settings.volume_l is None:
        return NoDose("the vat's volume is not in the settings (volume_l)")
    substance = settings.recipe.reductant
    responses = past_responses(state, substance)
    if scan.reduction is not None and len(responses) >= 2:
        lacking = max(0.0, RESTORED_MARGIN_MV - scan.reduction.margin_mv)
        per_gram = median(response.mv_per_gram for response in responses)
        grams = lacking / per_gram
        return Dose(substance, 0.7 * grams, 1.3 * grams, f"from what your last {len(responses)} feeds did")
    low, high = (settings.volume_l * g_l for g_l in settings.recipe.feed_g_l)
    return Dose(substance, low, high, f"common practice for {settings.volume_l:g} l; your own feeds will say better")


RESTORED_MARGIN_MV = 90.0
"""Where a feed should bring the margin: about 30 mV beyond 99 %. Judgement."""
RESPONSE_WITHIN_MS = 6 * 3_600_000


@dataclass(frozen=True, slots=True)
class Response:
    """What one feed did: the margin from just before it to its best within six hours."""

    time_ms: int
    grams: float
    mv_per_gram: float


def past_responses(state: VatState, substance: str) -> list[Response]:
    """Responses to logged feeds of `substance` that can still be seen in the vat's own history."""
    found = []
    for doing in state.doings:
        if doing.kind != EntryKind.FEED.value or doing.what.strip().lower() != substance or not doing.grams:
            continue
        before = [b.margin_mv for b in state.history if doing.time_ms - 3_600_000 <= b.start_ms < doing.time_ms]
        after = [b.margin_mv for b in state.history if doing.time_ms < b.start_ms <= doing.time_ms + RESPONSE_WITHIN_MS]
        known_before = [v for v in before if v is not None]
        known_after = [v for v in after if v is not None]
        if len(known_before) < 2 or len(known_after) < 4:
            continue
        gain = max(known_after) - known_before[-1]
        if gain >= LEAST_RESPONSE_MV:
            found.append(Response(doing.time_ms, doing.grams, gain / doing.grams))
    return found


def _round(grams: float) -> float:
    """To two figures, as a person would weigh."""
    if grams <= 0.0:
        return 0.0
    step = 1.0 if grams >= 10 else 0.5 if grams >= 2 else 0.1
    if grams >= 100:
        step = 10.0
    return round(grams / step) * step
