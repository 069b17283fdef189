"""Keys while a recording runs: the space bar marks an event, a typed line is a note, q by itself ends."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum, auto

_ALONE_S = 0.8  # a q that nothing follows for so long was no beginning of a note
_BACKSPACE = ("\b", "\x7f")


class Key(Enum):
    """What a key asks for besides a note."""

    EVENT = auto()
    END = auto()


Asked = Key | str  # a string is a note


@dataclass(slots=True)
class TypedLine:
    """The line that is being typed. `text` is shown meanwhile."""

    text: str = ""
    _since_s: float = 0.0

    def feed(self, characters: str, now_s: float) -> list[Asked]:
        """What these characters, or none, ask for at this moment [s]."""
        asked: list[Asked] = []
        for character in characters:
            if character in "\r\n":
                asked += [Key.END] if self.text == "q" else [self.text.strip()] if self.text.strip() else []
                self.text = ""
            elif character in _BACKSPACE:
                self.text = self.text[:-1]
            elif character == " " and not self.text:
                asked.append(Key.EVENT)
            elif character == "\x03":  # Ctrl+C where the terminal hands it on as a character
                asked.append(Key.END)
            elif character.isprintable():
                self.text += character
            self._since_s = now_s
        if self.text == "q" and now_s - self._since_s > _ALONE_S:
            asked.append(Key.END)
        return asked


class Keyboard:
    """The keys of a terminal, without waiting for them."""

    def __init__(self) -> None:
        self._line = TypedLine()

    @property
    def typed(self) -> str:
        """The line so far."""
        return self._line.text

    def asked(self) -> list[Asked]:
        """What was asked for since the last call."""
        return self._line.feed(_pressed(), time.monotonic())


def _pressed() -> str:
    """The characters that wait, without waiting for any."""
    if sys.platform == "win32":
        import msvcrt

        found = ""
        while msvcrt.kbhit():
            character = msvcrt.getwch()
            if character in "\x00\xe0":  # the first half of a key without a character
                msvcrt.getwch()
            else:
                found += character
        return found
    import os
    import select

    if not select.select([sys.stdin], [], [], 0.0)[0]:
        return ""
    read = os.read(sys.stdin.fileno(), 1024).decode(errors="ignore")
    return "" if read.startswith("\x1b") else read  # a key without a character


@contextmanager
def keyboard() -> Iterator[Keyboard | None]:
    """The keyboard, key by key; None where standard input is no terminal."""
    if sys.stdin is None or not sys.stdin.isatty():
        yield None
        return
    if sys.platform == "win32":
        yield Keyboard()
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        yield Keyboard()
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
