"""Which message of the definitions an identifier is, as the decoder matches them."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.decoding.grouping import ANY_SOURCE, j1939_key, plain_key
from logscope.definitions.spec import MessageSpec

Specs = dict[tuple[str | None, int], MessageSpec]


def specs_by_key(definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]]) -> Specs:
    """The messages by bus (None for every bus) and by how their frames are matched."""
    specs: Specs = {}
    for bus, messages in definitions:
        for spec in messages:
            specs.setdefault((bus, key_of(spec)), spec)
    return specs


def key_of(spec: MessageSpec) -> int:
    """How the frames of a definition are matched; the bus is no part of the number."""
    return j1939_key(0, spec.identifier) if spec.j1939 else plain_key(0, spec.identifier, spec.extended)


def keys_of(bus: str, identifier: int, extended: bool) -> list[tuple[str | None, int]]:
    """Under what the definitions of an identifier on a bus may stand, the closest match first."""
    keys = [plain_key(0, identifier, extended)]
    if extended:
        keys += [j1939_key(0, identifier), j1939_key(0, identifier & ~0xFF | ANY_SOURCE)]
    return [(where, key) for key in keys for where in (bus, None)]


def spec_of(bus: str, identifier: int, extended: bool, specs: Specs) -> MessageSpec | None:
    """The definition of an identifier on a bus, if it has one."""
    return next((specs[key] for key in keys_of(bus, identifier, extended) if key in specs), None)
