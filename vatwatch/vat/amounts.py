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
from vatwatch.records import Scan
from vatwatch.terms import EntryKind
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
AIM_ABOVE_LIMIT_PH = 0.5
"""How far inside the window a dose aims, pH at 25 °C. Judgement: enough to last, not enough to overshoot."""
LEAST_RESPONSE_MV = 4.0
LEAST_RESPONSE_PH = 0.03
BUFFERED = 5.0
"""How many times more alkali than a clean liquor a buffered one may need: judgement for the upper end of a range."""


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


def aim_ph_25c(settings: VatSettings) -> float:
    """Where a dose of alkali should bring the pH, at 25 °C."""
    own = settings.window
    return min(own.ph_low + AIM_ABOVE_LIMIT_PH, (own.ph_low + own.ph_high) / 2)


def alkali_dose(settings: VatSettings, state: VatState, scan: Scan) -> Dose | NoDose:
    """Alkali that brings the pH back inside, from the carbonate balance of `chemistry.dose`.

    The low end takes the liquor as free of carbonate; the high end takes its whole strength as given (or as usual) and
    the fall of the pH as carbonic acid taken up.
    """
    if settings.volume_l is None:
        return NoDose("the vat's volume is not in the settings (volume_l)")
    if scan.ph_25c is None:
        return NoDose("the pH is not known at the moment")
    aim = aim_ph_25c(settings)
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
    words = ALKALI_WORDS[settings.alkali]
    gains = past_responses(state, words, "ph_25c")
    if gains:
        # Acids of sugar and fermentation buffer a vat in a way no balance of carbonate knows: its own answer counts.
        newest = gains[-1]
        if newest.per_gram * newest.grams >= LEAST_RESPONSE_PH:
            grams = min((aim - scan.ph_25c) / newest.per_gram, 4.0 * newest.grams)
            return Dose(words, 0.7 * grams, 1.3 * grams, "from what your last feed of it did")
        return Dose(words, newest.grams, 4.0 * newest.grams, f"your last {newest.grams:g} g did next to nothing")
    # The same acids, before anything is known of them: common practice, no source. Never more at once than the whole
    # vat was made with: a liquor that needs more says so by its next reading.
    high = min(max(high, BUFFERED * low), strength * settings.volume_l)
    low = min(low, high)
    known = "as made with" if settings.alkali_g_l else "if made with the usual"
    why = f"the more the longer it has stood open to the air; {known} {strength:g} g/l"
    return Dose(words, low, high, why)


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
    low, high = (settings.volume_l * g_l for g_l in settings.recipe.feed_g_l)
    gains = [r.per_gram for r in past_responses(state, substance) if r.per_gram * r.grams >= LEAST_RESPONSE_MV]
    if scan.reduction is not None and len(gains) >= 2:
        grams = max(0.0, RESTORED_MARGIN_MV - scan.reduction.margin_mv) / median(gains)
        # Never far outside what is usual: one odd response must not turn into a kilogram.
        grams = min(max(grams, 0.5 * low), 2.0 * high)
        return Dose(substance, 0.7 * grams, 1.3 * grams, f"from what your last {len(gains)} feeds did")
    return Dose(substance, low, high, f"common practice for {settings.volume_l:.3g} l; your own feeds will say better")


RESTORED_MARGIN_MV = 90.0
"""Where a feed should bring the margin: about 30 mV beyond 99 %. Judgement."""
RESPONSE_WITHIN_MS = 6 * 3_600_000


@dataclass(frozen=True, slots=True)
class Response:
    """What one feed did to the quantity that answers it, per gram."""

    time_ms: int
    grams: float
    per_gram: float


def past_responses(state: VatState, substance: str, field: str = "margin_mv") -> list[Response]:
    """Responses to logged feeds of `substance` that can still be seen in the vat's own history of the last twelve hours.

    `field` is the quantity of the history that answers: the margin for a reductant, the pH at 25 °C for an alkali.
    """
    found = []
    for doing in state.doings:
        if doing.kind != EntryKind.FEED.value or doing.what.strip().lower() != substance or not doing.grams:
            continue
        before = _known(state, field, doing.time_ms - 3_600_000, doing.time_ms)
        after = _known(state, field, doing.time_ms + 1_800_000, doing.time_ms + RESPONSE_WITHIN_MS)
        if len(before) < 2 or len(after) < 2:
            continue
        # Reductants work slowly, alkali at once: the best of some hours, or what stands after half an hour.
        gain = (max(after) if field == "margin_mv" else median(after[:4])) - before[-1]
        found.append(Response(doing.time_ms, doing.grams, gain / doing.grams))
    return found


def _known(state: VatState, field: str, from_ms: int, to_ms: int) -> list[float]:
    values = [getattr(one, field) for one in state.history if from_ms <= one.start_ms < to_ms]
    return [value for value in values if value is not None]


def _round(grams: float) -> float:
    """To two figures, as a person would weigh."""
    if grams <= 0.0:
        return 0.0
    step = 1.0 if grams >= 10 else 0.5 if grams >= 2 else 0.1
    if grams >= 100:
        step = 10.0
    return round(grams / step) * step
