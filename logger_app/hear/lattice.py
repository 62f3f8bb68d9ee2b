"""Everything that may be said, as one tree of phones.

Calls, small words around them and phrases that are no calls share their beginnings, so that all of
them are scored at once. Not for: scoring (`segment`, `rescore`), words without sound (`parse`).
Main names: `Unit`, `PhoneTree`, `build_tree`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.hear.net import BLANK
from logger_app.hear.packs import LegalCall, Pack, Words, legal_calls
from logger_app.hear.phones import PHONE_ID
from logger_app.hear.phrases import Slot
from logger_app.records.calls import CallKind

# A phrase of many words with several pronunciations each is written out at most this often; settings, which are long and of
# which there are thousands, less often: this takes a third off the tree.
MAX_SPELLINGS, MAX_SETTING_SPELLINGS = 12, 4


@dataclass(frozen=True, slots=True)
class Unit:
    """One thing that may be said: a call, or (`call` None) a filler or a phrase that is none."""

    words: Words
    call: LegalCall | None = None
    ignored: bool = False

    @property
    def meaning(self) -> tuple:
        """What wordings of the same thing share."""
        if self.call is None:
            return ("ignored" if self.ignored else "filler", " ".join(self.words) if self.ignored else "")
        return (str(self.call.kind), self.call.name, self.call.value, self.call.shorthand)


class PhoneTree:
    """The tree in arrays; node 0 is the root.

    Attributes
    ----------
    parent, phone : ndarray of int, shape (nodes,)
        Node above, and phone id of the node.
    kids, first_kid : ndarray of int
        Children of node k are ``kids[first_kid[k]:first_kid[k + 1]]``.
    end_node, end_unit, end_spelling : arrays over spellings
        Where each spelling of a unit ends, the unit's index, the phones with their word's index.
    meanings, end_meaning : list of tuple, ndarray of int
        Distinct meanings, and which one each spelling has.
    """

    def __init__(self, units: Sequence[Unit], pack: Pack):
        self.units = list(units)
        parent, phone, below = [0], [BLANK], {}
        ends: dict[tuple, tuple] = {}
        for index, unit in enumerate(self.units):
            setting = unit.call is not None and unit.call.kind is CallKind.SETTING
            for spelling in _spellings(unit.words, pack, MAX_SETTING_SPELLINGS if setting else MAX_SPELLINGS):
                node = 0
                for one, _ in spelling:
                    key = (node, one)
                    if key not in below:
                        below[key] = len(parent)
                        parent.append(node)
                        phone.append(one)
                    node = below[key]
                ends.setdefault((node, unit.meaning), (index, spelling))
        self.parent, self.phone = np.array(parent), np.array(phone)
        self.repeats = self.phone == self.phone[self.parent]
        order = np.argsort(self.parent[1:], kind="stable") + 1
        self.kids = order
        self.first_kid = np.searchsorted(self.parent[order], np.arange(len(parent) + 1))
        self.end_node = np.array([node for node, _ in ends])
        self.end_unit = np.array([index for index, _ in ends.values()])
        self.spellings = [spelling for _, spelling in ends.values()]
        self.meanings = list(dict.fromkeys(self.units[k].meaning for k in self.end_unit))
        place = {meaning: k for k, meaning in enumerate(self.meanings)}
        self.end_meaning = np.array([place[self.units[k].meaning] for k in self.end_unit])
        self.is_call = np.array([self.units[k].call is not None for k in self.end_unit])
        # For the segmenter: one spelling a node is enough to know that something may end here.
        self.spelling_at = np.full(len(parent), -1)
        self.spelling_at[self.end_node[::-1]] = np.arange(len(ends))[::-1]
        self.speed_goes_on = self._speeds_below()
        self.shorthand_at, self.filler_at = np.zeros(len(parent)), np.zeros(len(parent))
        for node, unit in zip(self.end_node, self.end_unit):
            call = self.units[unit].call
            self.shorthand_at[node] = call is not None and call.shorthand
            self.filler_at[node] = call is None and not self.units[unit].ignored
        self.ends_filler = np.zeros(len(parent))
        ended = self.spelling_at >= 0
        self.ends_filler[ended] = ~self.is_call[self.spelling_at[ended]]

    @property
    def nodes(self) -> int:
        """Number of nodes, the root included."""
        return len(self.parent)

    def _speeds_below(self) -> np.ndarray:
        """For each node, whether an airspeed ends below it: "fifty" may become "fifty eight"."""
        on = np.zeros(self.nodes, bool)
        for node, unit in zip(self.end_node, self.end_unit):
            call = self.units[unit].call
            if call is not None and call.kind is CallKind.AIRSPEED:
                up = self.parent[node]
                while up and not on[up]:
                    on[up], up = True, self.parent[up]
        return on

    def below(self, nodes: np.ndarray) -> np.ndarray:
        """Children of all `nodes`, as one array."""
        starts, counts = self.first_kid[nodes], self.first_kid[nodes + 1] - self.first_kid[nodes]
        total = int(counts.sum())
        if not total:
            return np.zeros(0, int)
        offsets = np.repeat(starts - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
        return self.kids[np.arange(total) + offsets]

    def words_towards(self, node: int) -> Words:
        """Words of the first thing that can be said through a node, as far as it is said."""
        depth, up = 0, node
        while up:
            up, depth = self.parent[up], depth + 1
        while self.spelling_at[node] < 0:
            node = self.kids[self.first_kid[node]]
        spelling = self.spellings[self.spelling_at[node]]
        unit = self.units[self.end_unit[self.spelling_at[node]]]
        return unit.words[: spelling[depth - 1][1] + 1] if depth else ()


def build_tree(pack: Pack, low: float | None, high: float | None, unit: str) -> PhoneTree:
    """The tree of a pack.

    Parameters
    ----------
    low, high : float, optional
        Lowest and highest airspeed that can occur, in `unit`.

    Returns
    -------
    PhoneTree
        All calls, fillers and phrases that are none.
    """
    calls = [Unit(call.words, call) for call in legal_calls(pack, low, high, unit)]
    said = {unit.words for unit in calls}
    fillers = [Unit(words) for words in pack.fillers if words not in said]
    others = [Unit(words, ignored=True) for words in _ignored(pack) if words not in said]
    others += [Unit((word,), ignored=True) for word in _setting_words(pack) if (word,) not in said]
    return PhoneTree(calls + fillers + others, pack)


def _ignored(pack: Pack) -> Iterable[Words]:
    """Phrases that are no calls and can be written out: those without a slot for a number."""
    for phrase in pack.ignored:
        words = tuple(part for part in phrase if isinstance(part, str))
        if len(words) == len(phrase):
            yield words


def _setting_words(pack: Pack) -> list[str]:
    """Words that follow a number in a setting and begin no call: "sixty one percent" is no airspeed."""
    after: set[str] = set()
    for item in pack.items:
        if item.kind is CallKind.SETTING:
            for phrase in item.phrases:
                after |= {b for a, b in itertools.pairwise(phrase) if isinstance(a, Slot) and isinstance(b, str)}
    begin = {call.words[0] for call in legal_calls(pack)} | {words[0] for words in pack.fillers}
    return sorted(after - begin)


def _spellings(words: Words, pack: Pack, most: int) -> Iterable[tuple[tuple[int, int], ...]]:
    ways = [pack.pronunciations(word) for word in words]
    for chosen in itertools.islice(itertools.product(*ways), most):
        yield tuple((PHONE_ID[phone], k) for k, sound in enumerate(chosen) for phone in sound.split())
