"""What the training voices say: callouts, stall phrases, cockpit chatter, and their phones.

Not the grammar of calls (that is the pack, ``callouts.toml``): only a generator of varied sentences
in the same words, so that the network meets every word of the pack and what surrounds it. Main
names: `callout`, `talk`, `Phones`.
"""

from __future__ import annotations

import gzip
import random
import re
import subprocess
import tomllib
from functools import lru_cache
from pathlib import Path

DICTIONARY = Path(__file__).parent.parent / "cmudict.dict.gz"  # CMU Pronouncing Dictionary
UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["-", "-", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
# Radiotelephone spellings of digits, ICAO Annex 10 volume II, 5.2.1.4.3.1; weights are ours.
RADIO = {
    "9": ["nine", "nine", "niner"],
    "5": ["five", "five", "fife"],
    "4": ["four", "four", "four", "fower"],
    "3": ["three", "three", "three", "tree"],
    "0": ["zero", "oh"],
}
LEADS = [
    "there's",
    "that's",
    "and",
    "now",
    "at",
    "we're at",
    "uh",
    "um",
    "okay",
    "here",
    "coming up on",
    "now at",
    "showing",
    "reading",
    "I have",
    "say",
]
UNIT_WORDS = ["knots", "knots", "knots", "miles an hour", "kilometres an hour", "indicated"]
# Pronunciations the dictionary lacks or gives otherwise than pilots say them.
EXTRA = {
    "niner": "N AY N ER",
    "fife": "F AY F",
    "fower": "F OW ER",
    "tree": "T R IY",
    "rpm": "AA R P IY EH M",
    "buffet": "B AH F AH T",
    "buffeting": "B AH F AH T IH NG",
    "buffetting": "B AH F AH T IH NG",
    "uh": "AH",
    "um": "AH M",
    "mush": "M AH SH",
    "mushing": "M AH SH IH NG",
    "kilometres": "K AH L AA M AH T ER Z",
    "wilco": "W IH L K OW",
    "affirm": "AH F ER M",
    "vg": "V IY JH IY",
    "stabilised": "S T EY B AH L AY Z D",
    "yawing": "Y AO IH NG",
    "porpoising": "P AO R P AH S IH NG",
    "centred": "S EH N T ER D",
    "manoeuvring": "M AH N UW V ER IH NG",
    "litres": "L IY T ER Z",
    "ias": "AY EY EH S",
    "cas": "S IY EY EH S",
}
EVENTS = """buffet|light buffet|heavy buffet|there's the buffet|buffet buffet|pre stall buffet|burble|shudder|break|and break|there's the break
stall|stalled|and stalled|that's the stall|full stall|stall warning|stall horn|horn|there's the horn|warning|light on|stick shaker
left wing drop|right wing drop|wing drop|nose drop|nose drop left|nose drop right|dropping left|dropping right|wing dropping left|wing dropping right|wing dropped left|wing dropped right
left wing dropping|right wing dropping|left wing falling|right wing falling|nose dropping|nose dropped|nose falling through|straight ahead|straight break|roll left|roll right|rolling left|rolling right|rolled left|rolled right|yaw left|yaw right|yawing left|yawing right
full back|full back stick|stick full back|stick on the stop|stick at aft stop|aft stop|on the stop|stop|full aft|stick aft|elevator stop
recovered|recover|recovery|recovering|okay recovered|and recovered|mush|mushing|mushing no break|no break|high sink|sink rate|falling leaf|pitch bobble|porpoising|nose bobbing|secondary stall|incipient spin|spin|aileron reversal|ailerons soft|controls light|stick light|wing rock|rocking
on condition|and on condition|ready|stable|stabilised|trimmed|trim set|begin|start|starting|start run|begin run|entry|now|mark|mark that|mark mark|next card|next point|next run|previous card|go back|repeat|repeat that|again|run complete|card complete|complete|point complete
scratch that|uh scratch that|cancel that|correction|disregard|say again|discard|discard that|discard run|that counts|good run|bad run|no good|keep it|knock it off|knock it off knock it off|terminate|abort|abort abort|hold|hold there|stand by|resume|continue|pause|traffic|traffic traffic|confirm|negative|affirmative|affirm|note|comment|end note|undo""".replace(
    "\n", "|"
).split("|")
SETTINGS = """flaps up|flaps down|half flap|half flaps|full flap|full flaps|flaps ten|flaps fifteen|flaps twenty|flaps twenty five|flaps thirty|flaps forty|flap ten|flap zero|flaps zero|flaps ten degrees|flaps twenty degrees|first notch|second notch|two notches
power idle|idle power|idle|full power|cruise power|climb power|power off|power on|power set|half power|throttle closed|throttle idle
wings level|level wings|bank left|bank right|left bank|right bank|bank thirty|bank thirty left|bank thirty right|bank forty five|thirty left|thirty right|twenty degrees left|thirty degrees bank|left turn|right turn
gear up|gear down|carb heat on|carb heat off|mixture rich|baseline|cuffs on|fences on|strips on|fuel half|fuel full|fuel quarter|ball left|ball right|ball centred|ball half out""".replace(
    "\n", "|"
).split("|")
CHATTER = """nice view of the lake down there|I think we have a bit of haze today|tower is asking for our position|cleared to land runway two seven|turn left heading one eight zero|can you reach the checklist for me
what do you make of that cloud over there|let me have a look at the chart|it's getting a bit warm in here|do you want some air|we should be back before lunch|I'm going to turn around here|remind me to check the oil when we get back
contact approach on one two four decimal three|roger switching to ground|good afternoon with information delta|the engine sounds a little rough|yeah I heard that too|maybe we should climb another thousand|keep an eye out on your side
is that another airplane at our two o'clock|no that's just a bird|okay let's set up for the next one|give me a minute to settle down|how are you feeling over there|I'm fine a little queasy|try looking at the horizon|where did I put that pencil
did you write that down|let me know when you have it|weather at the field is few clouds at three thousand|wind is two four zero at eight|altimeter two niner niner two|extend your downwind I'll call your base|following on final|runway in sight|going around
we'll make a full stop this time|clear of the active|taxi to parking via alpha|my controls|your controls|I have the airplane|please check that your belt is tight|the door is popping open again|carb heat coming on|lights off transponder standby|squawk one two zero zero
radar contact maintain visual separation|thanks for your help have a good day|that was a really smooth one|let's do that one more time a bit slower|I would rather not do it in this turbulence|bumpy air below the ridge|see the river bending to the west
we're right over the railroad bridge|my phone is buzzing in my pocket|tell them we'll be late|what time did we take off|about twenty minutes ago|we've burned roughly a third of the tank|the gauge has never been right|look at the ball it's way out|more rudder please
easy on the controls|gently gently|I can smell something|it's just the heater|that radio is too loud|turn the squelch down a bit|say again you were cut off|unreadable try the other box|copy that thank you|will do|roger that|stand by one|I'm not sure about that
could you hold this for a second|the sun is right in my eyes|put your headset on properly|he's talking to somebody else|caution wake turbulence departing heavy jet|three green|passing through the inversion now|the temperature dropped a lot|there's ice on the strut
let's descend to warmer air|reminds me of last summer|the owner wants a new propeller|they changed the engine mount last year|we should write a report about it|coffee would be good|almost there|a little more|that should do it|not quite|well that was interesting|what was that noise
never mind|sorry go ahead|can you read back the last line|requesting flight following|are you still recording|check the camera mount please|the battery is nearly empty|press the red button|pull the circuit breaker|push it back in|tufts are all over the place|look at the tufts inboard
the flow is attached|it is separating at the root|outboard is clean|the trailing edge is going first|I'll take it a little slower|that one was too fast|rate is about one knot a second|hold the nose there|lots of rudder|it's honking now|thirty five hundred feet|passing four thousand
we are at six thousand five hundred|turning back to the practice area|any traffic in the area please advise|north of the field manoeuvring|number three for the left|fuel is good for another hour|one more and we go home|two more like that""".replace(
    "\n", "|"
).split("|")

# Radio and cabin talk full of numbers that are no calls, in the notation of `expand`; common phrases, ICAO Doc 9432.
NUMBER_TALK = """turn (left|right) heading <three_digits>|climb and maintain <altitude>|descend to <altitude> (feet|)|contact (approach|tower|ground|information) on one (one|two|three) <digit> decimal <digit>
traffic (one|two|three|nine|ten|eleven|twelve) o'clock <digit1> miles|cleared to land runway (zero|one|two|three) <digit>|hold short of runway (one|two|three) <digit>|wind <three_digits> at <digit1> [knots]|wind <three_digits> degrees <number> knots
squawk <digit> <digit> <digit> <digit>|the altimeter is two niner <digit> <digit>|pressure one zero one <digit>|<letter> <letter> <letter> (request|report|is) (taxi|downwind|final|overhead|ready for departure)|<letter> <letter> good morning
we have (about|another|nearly) <number> (minutes|litres|gallons) left|it must be <number> degrees (outside|in here)|that took <number> minutes|the handbook says <number>|there were <number> of them|it says so on page <number>|about <number> percent
we are <number> miles (north|south|east|west) of the (field|town|lake|river)|I counted <number> (cows|boats|sheep|cars) down there|she is <number> years old now|it cost me <number> (dollars|pounds|euros)|call me back at <number>|lunch is at <number>
we did <number> of those last (week|year|summer)|I make it <number> past the hour|<number> more minutes and we go home|make that number <digit1> in the pattern|I think it was <number> or <number>|somewhere between <number> and <number>
passing <altitude> for <altitude>|leaving <altitude>|report passing <altitude>|expect runway (one|two|three) <digit> (left|right|)|your transponder shows <altitude>|frequency change approved one two <digit> decimal <digit>|hour meter says <number> point <digit>""".replace(
    "\n", "|"
)


def under_hundred(n: int) -> str:
    """A number from 0 to 99 in words."""
    if n < 10:
        return UNITS[n]
    if n < 20:
        return TEENS[n - 10]
    return TENS[n // 10] + (f" {UNITS[n % 10]}" if n % 10 else "")


def digits(number: int, rng: random.Random) -> str:
    """A number digit by digit, now and then with the radio words."""
    return " ".join(rng.choice(RADIO[c] + [UNITS[int(c)]]) if c in RADIO else UNITS[int(c)] for c in str(number))


def speed(rng: random.Random, n: int | None = None) -> str:
    """An airspeed in one of the styles pilots use."""
    if n is None:
        n = rng.randint(200, 299) if rng.random() < 0.06 else rng.randint(20, 199)
    style = rng.random()
    if n < 100:
        if style < 0.60:
            return under_hundred(n)
        return digits(n, rng) if style < 0.9 else digits(n % 10, rng)
    rest, first = n % 100, UNITS[n // 100]
    if style < 0.28:
        return digits(n, rng)
    if style < 0.60:
        if rest >= 10:
            return f"{first} {under_hundred(rest)}"
        return f"{first} {rng.choice(['oh', 'zero'])} {UNITS[rest]}" if rest else f"{first} hundred"
    head = "a hundred" if first == "one" and rng.random() < 0.2 else f"{first} hundred"
    return head + (rng.choice([" ", " and "]) + under_hundred(rest) if rest else "")


def tens_call(rng: random.Random) -> str:
    """A tens or a teens word, alone or with what follows: the numbers that sound alike, each as often as its rival."""
    tens = rng.choice(["twenty", "thirty", "forty", "fifty", "fifty", "sixty", "sixty", "seventy", "eighty", "ninety"])
    kind = rng.random()
    if kind < 0.27:
        said = tens
    elif kind < 0.57:
        said = f"{tens} {rng.choice(UNITS[1:])}"
    elif kind < 0.69:
        said = rng.choice(TEENS)
    elif kind < 0.79:
        said = f"one {rng.choice([*TEENS, tens])}"
    elif kind < 0.88:
        said = f"{rng.choice(['one', 'a', 'two'])} hundred {rng.choice(['', 'and '])}{rng.choice([*TEENS, tens, *UNITS[1:]])}"
    elif kind < 0.95:
        said = f"{rng.choice(UNITS[2:])} {rng.choice(['oh', 'zero', *UNITS])}"
    else:
        said = f"one {rng.choice(['oh', 'zero', *UNITS])} {rng.choice(UNITS)}"
    return (rng.choice(LEADS) + " " if rng.random() < 0.12 else "") + said


def number_row(rng: random.Random) -> str:
    """Numbers in one breath as speed falls: full ones, then last digits alone; or digits only."""
    n, out = rng.randint(40, 99), []
    digits_only = rng.random() < 0.4
    for k in range(rng.randint(2, 5)):
        out.append(UNITS[n % 10] if k and rng.random() < 0.5 else digits(n, rng) if digits_only else under_hundred(n))
        n -= rng.randint(0, 3)
    return " ".join(out)


def setting(rng: random.Random) -> str:
    """A power, altitude or flap setting: numbers that are no airspeed."""
    kind = rng.random()
    if kind < 0.35:
        rpm = rng.choice(
            [
                *(f"{under_hundred(n)} hundred" for n in range(10, 28)),
                *(f"{under_hundred(n)} fifty" for n in range(10, 28)),
                "two thousand",
                "one thousand",
            ]
        )
        return rng.choice(["", "power "]) + rpm + rng.choice(["", " rpm", " rpm"])
    if kind < 0.6:
        alt = under_hundred(rng.randint(1, 12)) + " thousand" + rng.choice(["", f" {UNITS[rng.randint(1, 9)]} hundred"])
        return rng.choice(["", "altitude "]) + alt + rng.choice(["", " feet"])
    return rng.choice(SETTINGS)


def callout(rng: random.Random, templates: tuple[str, ...] = ()) -> str:
    """One call: an airspeed with or without its small words, an event, a command or a setting."""
    kind = rng.random()
    if kind < (0.3 if templates else 0.56):
        lead = rng.choice(LEADS) + " " if rng.random() < 0.25 else ""
        tail = " " + rng.choice(UNIT_WORDS) if rng.random() < 0.1 else ""
        return lead + speed(rng) + tail
    if kind < (0.36 if templates else 0.66):
        return setting(rng)
    if kind < (0.42 if templates else 0.72):
        return rng.choice(
            UNITS + TEENS + TENS[2:] + ["hundred", "thousand", "oh", "niner", "fife", "tree", "fower", "point", "half"]
        )
    return expand(rng.choice(templates), rng) if templates and rng.random() < 0.7 else rng.choice(EVENTS)


def run(rng: random.Random) -> list[str]:
    """The calls of one stall approach: falling airspeeds and an event."""
    n = rng.randint(45, 110)
    calls = []
    for _ in range(rng.randint(2, 5)):
        calls.append((rng.choice(LEADS) + " " if rng.random() < 0.2 else "") + speed(rng, n))
        n = max(20, n - rng.randint(1, 6))
    return [*calls, rng.choice(EVENTS)]


def chatter(rng: random.Random) -> str:
    """Talk that is no call."""
    return rng.choice(["", "", "well ", "so ", "yeah ", "hmm ", "I guess "]) + rng.choice(CHATTER)


def number_talk(rng: random.Random) -> str:
    """Talk with numbers in it that are no calls."""
    return expand(rng.choice(_split(NUMBER_TALK)), rng)


def talk(rng: random.Random, read: tuple[str, ...] = ()) -> str:
    """Talk that is no call: of the cabin, of the radio, and pieces of `read` sentences of three to fourteen words."""
    kind = rng.random()
    if kind < 0.3 or not read and kind < 0.5:
        return chatter(rng)
    if kind < 0.6 or not read:
        return number_talk(rng)
    words = rng.choice(read).split()
    count = rng.randint(3, 14)
    at = rng.randint(0, max(0, len(words) - count))
    return " ".join(words[at : at + count])


def _split(templates: str) -> list[str]:
    """Templates parted at the bars that stand outside brackets."""
    return re.split(r"\|(?![^(\[]*[)\]])", templates)


def pack_templates(toml: Path, ignored: bool = True) -> tuple[str, ...]:
    """Every phrase template of a pack's events, settings, commands and, with `ignored`, its numbers that are no calls."""
    pack = tomllib.loads(toml.read_text(encoding="utf-8"))
    parts = pack.get("parts", {})
    tables = [
        *pack.get("event", []),
        *pack.get("setting", []),
        *pack.get("command", []),
        pack.get("ignore", {}) if ignored else {},
    ]
    phrases = {say for table in tables for say in table.get("say", [])}
    return tuple(sorted(re.sub(r"\{(\w+)\}", lambda found: parts[found[1]], say) for say in phrases))


def expand(template: str, rng: random.Random) -> str:
    """One way to say a pack's template: ``(a|b)`` a choice, ``[x]`` may be left out, ``<name>`` a number or letter."""
    said = template
    while found := re.search(r"\[([^\[\]]*)\]", said):
        kept = rng.choice(_split(found[1])) if rng.random() < 0.5 else ""
        said = said[: found.start()] + kept + said[found.end() :]
    while found := re.search(r"\(([^()]*)\)", said):
        said = said[: found.start()] + rng.choice(found[1].split("|")) + said[found.end() :]
    said = re.sub(r"<(\w+)>", lambda m: _number(m[1], rng), said)
    return " ".join(said.split())


def _number(kind: str, rng: random.Random) -> str:
    """Words for one of a pack's number tables."""
    if kind == "letter":
        return rng.choice(
            [
                "alpha",
                "bravo",
                "charlie",
                "delta",
                "echo",
                "foxtrot",
                "golf",
                "hotel",
                "india",
                "juliet",
                "kilo",
                "lima",
            ]
        )
    if kind in ("digit", "digit1"):
        return digits(rng.randint(1 if kind == "digit1" else 0, 9), rng)
    if kind == "rpm_hundreds":
        return f"{under_hundred(rng.randint(8, 30))} hundred"
    if kind == "rpm":
        return rng.choice(
            [
                f"{under_hundred(rng.randint(8, 30))} hundred",
                f"{under_hundred(rng.randint(10, 30))} fifty",
                f"{UNITS[rng.randint(1, 6)]} thousand",
                f"{UNITS[rng.randint(1, 6)]} thousand {UNITS[rng.randint(1, 9)]} hundred",
            ]
        )
    if kind == "altitude":
        return under_hundred(rng.randint(1, 12)) + rng.choice(
            [" thousand", f" thousand {UNITS[rng.randint(1, 9)]} hundred"]
        )
    if kind == "three_digits":
        return digits(rng.randint(100, 360), rng)
    return rng.choice(
        [
            under_hundred(rng.randint(0, 99)),
            under_hundred(5 * rng.randint(0, 12)),
            digits(rng.randint(10, 99), rng),
            speed(rng),
        ]
    )


# flite's own phones, in those of the dictionary.
_FLITE = {
    "AX": "AH",
    "AXR": "ER",
    "IX": "IH",
    "DX": "T",
    "EL": "AH L",
    "EN": "AH N",
    "EM": "AH M",
    "NX": "N",
    "PAU": "",
    "SIL": "",
}


@lru_cache(maxsize=1)
def _dictionary() -> dict[str, str]:
    """First pronunciation of each word in the pack's own copy of the dictionary."""
    first: dict[str, str] = {}
    with gzip.open(DICTIONARY, "rt", encoding="utf-8") as handle:
        for line in handle:
            word, _, phones = line.partition("#")[0].strip().partition(" ")
            if phones and "(" not in word:
                first.setdefault(word.lower(), phones.strip())
    return first


def _pack_sounds() -> dict[str, str]:
    """First pronunciation of each word that the pack itself says how to say."""
    pack = tomllib.loads((DICTIONARY.parent / "callouts.toml").read_text(encoding="utf-8"))
    return {word: ways if isinstance(ways, str) else ways[0] for word, ways in pack.get("pronounce", {}).items()}


class Phones:
    """Words to phones: our `EXTRA`, then the CMU Pronouncing Dictionary, stress dropped; at last flite's letter rules."""

    def __init__(self, guess: bool = False):
        self._dict, self._guess = dict(_dictionary()), guess
        self._dict.update(_pack_sounds())
        self._guessed: dict[str, list[str] | None] = {}

    def word(self, word: str) -> list[str] | None:
        """The first pronunciation of one word; for an unknown one flite's guess, if `guess` was asked for, else None."""
        if word in EXTRA:
            return EXTRA[word].split()
        if word in self._dict:
            return [p.rstrip("012") for p in self._dict[word].split()]
        if not self._guess:
            return None
        if word not in self._guessed:
            got = (
                subprocess.run(["flite", "-ps", "-t", word, "none"], capture_output=True, text=True, check=False)
                .stdout.upper()
                .split()
            )
            phones = " ".join(_FLITE.get(p, p) for p in got).split()
            self._guessed[word] = phones or None
        return self._guessed[word]

    def text(self, text: str) -> list[str] | None:
        """The phones of a sentence, or None when one of its words is unknown."""
        phones: list[str] = []
        for word in re.sub(r"[^a-z' ]", " ", text.lower().replace("-", " ")).split():
            got = self.word(word) or self.word(word.strip("'"))
            if got is None:
                return None
            phones += got
        return phones or None
