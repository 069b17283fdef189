"""Enumeration texts: which values mean on, overcurrent, no fault."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.draft.names import meanings, split_name
from logscope.draft.words import Word


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_ON = _words(
    "on closed close active activated enabled energised energized engaged pressed running ein an zu aktiv "
    "geschlossen betaetigt angezogen true yes"
)
_OFF = _words(
    "off open opened inactive disabled released idle aus auf offen inaktiv geoeffnet abgefallen false no stopped"
)
_NONE = _words("none ok good healthy normal clear inactive kein keine keiner no off")
_MODES = _words(
    "off init initialising standby idle ready run running drive driving enabled active precharge fault error tripped "
    "aus bereit fahren fahrt betrieb fehler stoerung vorladen charging charge laden derating limp shutdown"
)
_NOT = frozenset({"not", "nicht", "un"})
_NO = _NOT | _words("no kein keine keiner")

Choices = Mapping[float, str]


def on_values(choices: Choices) -> Choices:
    """The values whose text says on."""
    return {value: text for value, text in choices.items() if _says(text, _ON)}


def off_values(choices: Choices) -> Choices:
    """The values whose text says off."""
    return {value: text for value, text in choices.items() if _says(text, _OFF)}


def overcurrent_values(choices: Choices) -> Choices:
    """The values whose text says overcurrent."""
    return {value: text for value, text in choices.items() if _says_overcurrent(text)}


def healthy_values(choices: Choices) -> Choices:
    """The values whose text says that there is no fault."""
    return {value: text for value, text in choices.items() if _says(text, _NONE) and not _says_overcurrent(text)}


def is_operating_state(choices: Choices) -> bool:
    """Whether two texts at least are states that a controller goes through."""
    return sum(bool(_MODES & set(split_name(text))) for text in choices.values()) >= 2


def _says_overcurrent(text: str) -> bool:
    return Word.OVERCURRENT in meanings(text) and not _NO & set(split_name(text))


def _says(text: str, words: frozenset[str]) -> bool:
    pieces = set(split_name(text))
    return bool(pieces & words) and not pieces & _NOT
