"""What a signal's name speaks of: split into words, German compounds and run-together words too."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from logscope.draft.words import ALONE, FILLERS, INSIDE, PHRASES, SUBJECTS, Word

_PIECES = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+|[^\W\d_]+")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"})
_JOINTS = ("", "s", "es", "n", "en", "e")  # letters that German puts between the words of a compound
_LONGEST_PHRASE = max(map(len, PHRASES))


@dataclass(frozen=True, slots=True)
class Sense:
    """The meanings in a signal's name and in its message's name.

    subjects : those of the signal's own name, or of the message's where the signal's has none
    borrowed : whether the subjects are the message's
    """

    own: frozenset[Word]
    message: frozenset[Word]

    @property
    def borrowed(self) -> bool:
        return not self.own & SUBJECTS

    @property
    def subjects(self) -> frozenset[Word]:
        return (self.message if self.borrowed else self.own) & SUBJECTS

    @property
    def silent(self) -> bool:
        """Whether neither name says anything."""
        return not self.own and not self.message


@cache
def meanings(name: str) -> frozenset[Word]:
    """The meanings of the words in one name.

    >>> sorted(word.name for word in meanings("Zwischenkreisspannung"))
    ['LINK', 'VOLTAGE']
    >>> sorted(word.name for word in meanings("motor_speed_req"))
    ['MOTOR', 'SPEED', 'TARGET']
    """
    found: set[Word] = set()
    pieces = split_name(name)
    at = 0
    while at < len(pieces):
        taken, words = _phrase(pieces, at)
        found |= set(words)
        at += taken
    return frozenset(found)


def split_name(name: str) -> list[str]:
    """The pieces of a name in small letters: at capitals, digits and everything that is no letter.

    >>> split_name("HVBattery_Strom2"), split_name("DCLinkVoltage")
    (['hv', 'battery', 'strom', '2'], ['dc', 'link', 'voltage'])
    """
    # A run of capitals ends before the last one where small letters follow: "DCLink" is "DC" and "Link".
    spaced = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", name.translate(_UMLAUTS))
    return [piece.lower() for piece in _PIECES.findall(spaced)]


def _phrase(pieces: list[str], at: int) -> tuple[int, tuple[Word, ...]]:
    """How many pieces belong together from here on, and what they mean."""
    for length in range(min(_LONGEST_PHRASE, len(pieces) - at), 0, -1):
        words = PHRASES.get(tuple(pieces[at : at + length]))
        if words is not None:
            return length, words
    piece = pieces[at]
    if piece in ALONE:
        return 1, (ALONE[piece],)
    return 1, _compound(piece) or ()


@cache
def _compound(piece: str) -> tuple[Word, ...] | None:
    """The meanings of a word made of known words; None where a rest stays unknown."""
    if not piece:
        return ()
    for text in _LONGEST_FIRST:
        if not piece.startswith(text):
            continue
        for joint in _JOINTS:
            if piece[len(text) :].startswith(joint):
                rest = _compound(piece[len(text) + len(joint) :])
                if rest is not None:
                    return (INSIDE[text], *rest) if text in INSIDE else rest
    return None


_LONGEST_FIRST = sorted((*INSIDE, *FILLERS), key=len, reverse=True)
