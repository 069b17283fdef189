"""One name for several signals of a message: KCD and SYM give each multiplexer branch a list of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations

from logscope.definitions.layout import exclusive
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec


def one_name_each(signals: Iterable[SignalSpec]) -> tuple[SignalSpec, ...]:
    """The signals of a message, each name once, in the order of the file.

    Namesakes in branches of which a frame holds only one are one signal, with the layout that each branch gives it.
    Where their units or texts differ, or a frame can hold several, the later ones get their branch after the
    name, "Value@Mode=1". Raises ValueError where that does not distinguish two of one name either.
    """
    alike: dict[str, list[SignalSpec]] = {}
    for signal in signals:
        alike.setdefault(signal.name, []).append(signal)
    return tuple(found for namesakes in alike.values() for found in _united(namesakes))


def has_namesakes(message: MessageSpec) -> bool:
    """Whether several signals of the file had one name in a message."""
    return any(signal.elsewhere or set_apart(signal) for signal in message.signals)


def set_apart(signal: SignalSpec) -> bool:
    """Whether a signal has its branch after its name, as it was not the only one of that name."""
    return bool(signal.multiplexer) and signal.name.endswith(f"@{_branch(signal)}")


def _united(namesakes: list[SignalSpec]) -> list[SignalSpec]:
    first, *others = namesakes
    if not others:
        return namesakes
    if all(exclusive(one, other) for one, other in combinations(namesakes, 2)) and _one_quantity(namesakes):
        first, *others = _one_each_layout(namesakes)
        return [replace(first, elsewhere=tuple(others))]
    named = [first, *(replace(other, name=f"{other.name}@{_branch(other)}") for other in others)]
    if len({signal.name for signal in named}) < len(named):
        raise ValueError(f"two signals named {first.name} in one branch")
    return named


def _one_quantity(namesakes: list[SignalSpec]) -> bool:
    """Whether all have one unit, and no value has two texts."""
    texts: dict[float, str] = {}
    agree = (texts.setdefault(value, text) == text for signal in namesakes for value, text in signal.labels.items())
    return len({signal.unit for signal in namesakes}) == 1 and all(agree)


def _one_each_layout(namesakes: list[SignalSpec]) -> list[SignalSpec]:
    """Branches of one selector that lay a signal out alike are taken together."""
    layouts: dict[SignalSpec, SignalSpec] = {}
    for signal in namesakes:
        *outer, last = signal.multiplexer
        layout = replace(signal, multiplexer=(*outer, Selection(last.selector, ())))
        known = layouts.get(layout)
        ranges = (*known.multiplexer[-1].ranges, *last.ranges) if known else last.ranges
        layouts[layout] = replace(known or signal, multiplexer=(*outer, Selection(last.selector, ranges)))
    return list(layouts.values())


def _branch(signal: SignalSpec) -> str:
    """The branch in words: 'Mode=1', 'Mode=1,3-5'."""
    selector, ranges = signal.multiplexer[-1].selector, signal.multiplexer[-1].ranges
    return f"{selector}=" + ",".join(f"{low}" if low == high else f"{low}-{high}" for low, high in ranges)
