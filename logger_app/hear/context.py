"""Is a call expected here? How much it must be believed, and whether to wait for what follows. Pure.

In an approach one airspeed follows another, and little is asked of the next. Elsewhere a number is more
likely part of a sentence or a radio call: then it must stand alone, with quiet before and after it.
Main names: `Context`, `Need`, `in_talk`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from logger_app.hear.decode import MAX_LEAN, Found, Heard, Lean, is_phrase
from logger_app.hear.gate import Gate
from logger_app.hear.net import FRAME_S
from logger_app.hear.packs import LegalCall, Pack
from logger_app.hear.parse import CODE_DIGITS, complete_shorthand, is_code, setting_in_talk
from logger_app.records.calls import CallKind

# An airspeed is expected for so long after another, or after the run began [20 ms frames].
EXPECT_FRAMES = 300
# A call that is not expected needs this much quiet before and after it [frames].
ALONE_FRAMES, AFTER_FRAMES = 40, 18
# Digits that follow within so much belong together [frames].
BREATH_FRAMES = 25
# Who begins a recording with a number, and has not talked before, most likely makes a call [frames].
FIRST_FRAMES = 500
# So long after the last speech nobody is in the middle of a sentence: a number that stands alone is most likely a call [frames].
QUIET_FRAMES = 250
# A call of up to so many phones may be any short word of a sentence; one of more than `SURE_PHONES` is none.
SHORT_PHONES, SURE_PHONES = 5, 11
# An airspeed is near the last one within so much, and so much more a second [unit of the indicator].
NEAR, NEAR_PER_S = 12.0, 4.0
# Never held back or dropped for talk around it: it ends a manoeuvre.
ALWAYS = frozenset(("knock_it_off", "recovered"))
# So few phones of talk may be a small word that was not understood ("that's fifty").
FEW_PHONES = 7
# What the last airspeed says about the next, in the indicator's unit; common practice, no source.
FALL_PER_S, SPREAD, SPREAD_PER_S = 0.8, 2.0, 1.0
SURE = 0.9
# Digits in a row that as one number are farther off than this are last digits, if these go on falling by no more than
# so much from one to the next [unit of the indicator]; believed so much less, for which of the two it was nobody says.
FAR_OFF, MAX_STEP, EITHER = 8.0, 4.0, 0.8
_BEGIN = frozenset(("on_condition",))
_END = frozenset(("recovered", "scratch_that", "knock_it_off", "next_card"))


class Need(StrEnum):
    """What becomes of a call."""

    TAKE = "take"
    WAIT = "wait"  # until it is known that no talk follows
    DROP = "drop"


def in_talk(found: Found, pack: Pack) -> bool:
    """Whether a setting was heard as part of a sentence; one small word beside it makes none."""
    sides = sum(phones > 0 for phones in found.glued) if sum(found.glued) > FEW_PHONES else 0
    return setting_in_talk(found.call, found.call.words, sides, pack)


@dataclass(slots=True)
class Context:
    """What was said lately; asked for each stretch in order of time, then told what was taken."""

    gate: Gate
    expected_until: float = -1.0
    last_speed: float | None = None
    last_at: float = 0.0
    talk_end: float = -1e9
    speech_end: float = -1e9
    talk_heard: bool = False
    said: float | None = None  # the last airspeed, a last digit alone completed
    row: tuple[Found, ...] = ()  # single digits said without a break, up to now
    row_end: float = -1e9
    row_before: float | None = None  # the airspeed before them
    before_row: tuple[float, float | None, float, float | None] = (-1.0, None, 0.0, None)  # what was known before them

    def need(self, found: Found, heard: Heard, begin: float) -> Need:
        """What becomes of a call.

        Parameters
        ----------
        found : Found
            One of the calls of the stretch.

        Returns
        -------
        Need
            Take it, wait for what follows, or drop it.
        """
        expected = found.start <= self.expected_until
        if found.belief < self._least(found, heard, expected, begin):
            return Need.DROP
        airspeed = found.call.kind is CallKind.AIRSPEED
        before, after = found.glued
        if airspeed and (after or before > (FEW_PHONES if expected else 0)):
            return Need.DROP
        if found.phones <= SURE_PHONES and before + after > (FEW_PHONES if expected else 0):
            return Need.DROP
        if expected or found.call.name in ALWAYS or not (airspeed or found.phones <= SURE_PHONES):
            return Need.TAKE
        if begin - self.talk_end < ALONE_FRAMES or (heard.talk_first and not airspeed):
            return Need.DROP
        if not (airspeed or found.phones <= SHORT_PHONES):
            return Need.TAKE
        if heard.talk_first or heard.talk_last:
            return Need.DROP
        return Need.WAIT if found is heard.calls[-1] else Need.TAKE

    def _near(self, found: Found) -> bool:
        """Whether an airspeed may follow the last one; everything else may."""
        if found.call.kind is not CallKind.AIRSPEED or found.call.shorthand or self.last_speed is None:
            return True
        elapsed_s = max(0.0, found.start - self.last_at) * FRAME_S
        return abs(found.call.number - self.last_speed) <= NEAR + NEAR_PER_S * elapsed_s

    def _least(self, found: Found, heard: Heard, expected: bool, begin: float) -> float:
        least = self._least_anywhere(found, expected, begin)
        if len(heard.calls) == 1:
            # The network takes narration for talk more often than talk has all the sounds of a phrase and nothing beside them:
            # in 27 min of other people's talk two such phrases were believed more than 0.02, one more than 0.1.
            if is_phrase(found) and not (sum(found.glued) or heard.talk_first or heard.talk_last):
                if expected and found.call.kind is CallKind.EVENT:
                    return min(least, self.gate.phrase_expected)
                # Out of an approach no stall event is likely: "going to the left" there is talk.
                if found.call.kind is CallKind.COMMAND or found.call.name in _BEGIN:
                    return min(least, self.gate.phrase)
        elif found.call.kind is CallKind.AIRSPEED and found.phones <= SHORT_PHONES + 1 and expected:
            # A short number in one breath with a phrase may be a part of it: "five four, full back stick" for "I've got".
            told_too = [one for one in heard.calls if one.call.kind in (CallKind.EVENT, CallKind.COMMAND)]
            if any(one.belief > found.belief for one in told_too):
                return max(least, self.gate.airspeed_after_quiet)
        return least

    def _least_anywhere(self, found: Found, expected: bool, begin: float) -> float:
        gate = self.gate
        if found.call.shorthand:
            return gate.digit_expected if expected else gate.digit
        if found.call.kind is CallKind.AIRSPEED:
            if not expected and found.start < FIRST_FRAMES and not self.talk_heard:
                return gate.airspeed_first
            if expected:
                return gate.airspeed_expected if self._near(found) else gate.airspeed_far
            return gate.airspeed_after_quiet if begin - self.speech_end >= QUIET_FRAMES else gate.airspeed
        if found.call.kind is CallKind.SETTING:
            # Power and flaps stay as they are in an approach: "that's fifty" there is no "flaps fifty".
            return gate.setting_expected if expected else gate.setting
        if found.phones <= SHORT_PHONES:
            # In an approach a short event is likely; a short command that was not said starts or ends something.
            return gate.other_expected if expected and found.call.kind is CallKind.EVENT else gate.short
        if found.call.kind is CallKind.COMMAND:
            return gate.command
        return gate.other_expected if expected else gate.other

    def apart(self, found: Found, digits: Mapping[str, float]) -> list[Found]:
        """Digits in a row as last digits, one call each, where only these go on from the airspeed before.

        Parameters
        ----------
        digits : mapping of str to float
            What the words for a last digit alone mean.
        """
        words, call = found.words, found.call
        if call.kind is not CallKind.AIRSPEED or call.shorthand or len(words) < 2 or self.said is None:
            return [found]
        if found.start > self.expected_until or not _is_digits(found, digits):
            return [found]
        read = [self.said]
        for word, _, _ in words:
            read.append(complete_shorthand(digits[word], read[-1]))
        falls = all(0 <= a - b <= MAX_STEP for a, b in itertools.pairwise(read))
        if abs(call.number - self.said) <= FAR_OFF or not falls:
            return [found]
        return [
            replace(
                found,
                call=replace(call, words=(word,), value=digits[word], shorthand=True),
                belief=EITHER * found.belief,
                rivals=((call, (1 - EITHER) * found.belief),),
                start=start,
                end=end,
                words=((word, start, end),),
            )
            for word, start, end in words
        ]

    def codes(self, heard: Heard, begin: float, digits: Mapping[str, float]) -> tuple[set[int], bool, bool]:
        """Which calls are parts of a code, a frequency or a telephone number that is read out, perhaps over short breaks.

        Parameters
        ----------
        begin : float
            Frame at which the stretch begins.
        digits : mapping of str to float
            What the words for a last digit alone mean.

        Returns
        -------
        tuple of (set of int, bool, bool)
            Indices into the calls of the stretch; whether the calls just before the stretch are parts as well; whether the
            stretch goes on with their digits.
        """
        row = self.row if begin - self.row_end < BREATH_FRAMES else ()
        found, indices, carried, goes_on = set[int](), list[int](), False, False
        for k in range(len(heard.calls) + 1):
            one = heard.calls[k] if k < len(heard.calls) else None
            if one and one.call.kind is CallKind.AIRSPEED and _is_digits(one, digits):
                if not row:
                    self.row_before = self.said if one.start <= self.expected_until else None
                    self.before_row = (self.expected_until, self.last_speed, self.last_at, self.said)
                row, self.row_end = (*row, one), one.end
                indices.append(k)
                goes_on |= len(row) > len(indices)
                continue
            if indices and self._is_code(row, digits):
                found.update(indices)
                carried |= len(row) > len(indices)
                # What was taken of them before anybody could know makes no call expected.
                self.expected_until, self.last_speed, self.last_at, self.said = self.before_row
            if one:
                row, indices = (), []
        self.row = row if indices else ()
        return found, carried, goes_on and not carried

    def _is_code(self, row: Sequence[Found], digits: Mapping[str, float]) -> bool:
        now = self.row_before
        speeds: list[tuple[float, bool]] = []
        for one in row:
            said = [digits[word] for word, _, _ in one.words]
            apart = not one.call.shorthand and now is not None and abs(one.call.number - now) > FAR_OFF
            parts = [(digit, True) for digit in said] if apart else [(one.call.number, one.call.shorthand)]
            for value, shorthand in parts:
                now = complete_shorthand(value, now) if shorthand and now is not None else value
            speeds += parts
        least = CODE_DIGITS if self.row_before is not None else CODE_DIGITS - 1
        return is_code(sum(len(one.words) for one in row), speeds, self.row_before, least)

    def lean(self, begin: float) -> Lean | None:
        """What the airspeeds before say about the next one, before it is heard.

        An approach falls about a knot a second and wanders. That may tip the balance between two
        that sound alike; it never outweighs a clear sound (`MAX_LEAN`).

        Parameters
        ----------
        begin : float
            Frame at which the next stretch of speech begins.

        Returns
        -------
        callable or None
            Log-probability of a call, up to a constant; None when nothing is known.
        """
        if self.last_speed is None or begin > self.expected_until:
            return None
        elapsed_s = max(0.0, begin - self.last_at) * FRAME_S
        middle, spread = self.last_speed - FALL_PER_S * elapsed_s, SPREAD + SPREAD_PER_S * elapsed_s

        def lean(call: LegalCall) -> float:
            if call.kind is not CallKind.AIRSPEED or call.shorthand:
                return -1.0  # as likely as a speed at one and a half spreads
            return max(-MAX_LEAN, -0.5 * ((call.number - middle) / spread) ** 2)

        return lean

    def took(self, found: Found) -> None:
        """A call was taken: what may follow."""
        name = found.call.name
        if found.call.kind is CallKind.AIRSPEED or name in _BEGIN:
            self.expected_until = found.end + EXPECT_FRAMES
            if found.call.kind is CallKind.EVENT:
                self.last_speed = self.said = None
            if found.call.shorthand:
                self.said = None if self.said is None else complete_shorthand(found.call.number, self.said)
            plain = found.call.kind is CallKind.AIRSPEED and not found.call.shorthand
            if plain:
                self.said = found.call.number
            if plain and (self._near(found) or found.belief > SURE):
                self.last_speed, self.last_at = found.call.number, found.end
        elif name in _END:
            self.expected_until = -1.0
        elif found.call.kind is CallKind.EVENT and self.expected_until > 0:
            self.expected_until = max(self.expected_until, found.end + EXPECT_FRAMES)

    def talked(self, heard: Heard, last_speech: float) -> None:
        """A stretch is over: whether it ended in talk."""
        self.speech_end = last_speech
        self.talk_heard |= heard.talk_first or heard.talk_last
        if heard.talk_last:
            self.talk_end = last_speech


def _is_digits(found: Found, digits: Mapping[str, float]) -> bool:
    """Whether a call was said digit by digit."""
    return bool(found.words) and all(word in digits for word, _, _ in found.words)
