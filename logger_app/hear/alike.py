"""Which spoken numbers are taken for each other. Pure; the decoder and the reader of sequences both ask it.

Main names: `alike_share`, `open_nats`.
"""

from __future__ import annotations

# Units digits that are taken for each other in cockpit noise, by how often (voice study).
_ALIKE_DIGITS = {
    frozenset(pair): share
    for pair, share in (
        ((2, 3), 1.0),
        ((5, 9), 0.6),
        ((2, 6), 0.4),
        ((4, 5), 0.3),
        ((1, 9), 0.2),
        ((0, 8), 0.5),
        ((0, 3), 0.3),
    )
}
# Tens words that are taken for each other, with the same units: fifty for sixty most of all (real people, ten voices).
_ALIKE_TENS = {frozenset(pair): share for pair, share in (((5, 6), 1.0), ((5, 9), 0.3), ((3, 8), 0.3), ((4, 5), 0.2))}
# A reading that wins over another by less than this is doubtful, however much it is believed [natural log]. Of numbers that sound
# alike the right one often wins by little; where any other comes that near, something is amiss. Weak in its first sound, fifty
# becomes sixty and never the reverse. Set on 1,574 right and 280 wrong readings (grammar/en/acoustic/README.md).
_OPEN_ALIKE, _OPEN_DIGITS, _OPEN_OTHER, _OPEN_SIXTY = 4.0, 3.0, 6.0, 8.0
# "And ninety two" becomes "one ninety two" and never the reverse (ours; no voice study).
_OPEN_HUNDRED = 8.0


def alike_share(value: int, other: int) -> float:
    """How readily one spoken number is taken for another, 0 (never listed) to 1.

    Returns
    -------
    float
        1 for 13 and 30, 0 for numbers that do not sound alike.
        "And ninety two" is taken for "one ninety two".

    Examples
    --------
    >>> alike_share(15, 50), alike_share(55, 59), alike_share(52, 61), alike_share(192, 92)
    (1.0, 0.6, 0.0, 1.0)
    """
    if abs(value - other) == 100 and 20 <= min(value, other) < 100:
        return 1.0
    if value == other or value // 100 != other // 100:
        return 0.0
    a, b = sorted((value % 100, other % 100))
    if 13 <= a <= 19 and b == (a - 10) * 10:
        return 1.0
    if a // 10 == b // 10:
        return _ALIKE_DIGITS.get(frozenset((a % 10, b % 10)), 0.0)
    if a % 10 == b % 10 and a >= 20:
        return _ALIKE_TENS.get(frozenset((a // 10, b // 10)), 0.0)
    return 0.0


def open_nats(value: int, other: int) -> float:
    """By how much a reading must win over another to be beyond doubt [natural log].

    Examples
    --------
    >>> open_nats(62, 52), open_nats(52, 62), open_nats(62, 47)
    (8.0, 4.0, 6.0)
    """
    if not alike_share(value, other):
        return _OPEN_OTHER
    if value - other == 100:
        return _OPEN_HUNDRED
    if value // 10 == other // 10:
        return _OPEN_DIGITS
    return _OPEN_SIXTY if value // 10 % 10 == 6 and value - other == 10 else _OPEN_ALIKE
