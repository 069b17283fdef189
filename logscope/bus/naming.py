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
            # the bus is no part of the key's number
            key = j1939_key(0, spec.identifier) if spec.j1939 else plain_key(0, spec.identifier, spec.extended)
            specs.setdefault((bus, key), spec)
    return specs


def spec_of(bus: str, identifier: int, extended: bool, specs: Specs) -> MessageSpec | None:
    """The definition of an identifier on a bus, if it has one."""
    keys = [plain_key(0, identifier, extended)]
    if extended:
        keys += [j1939_key(0, identifier), j1939_key(0, identifier & ~0xFF | ANY_SOURCE)]
    return next((specs[where, key] for key in keys for where in (bus, None) if (where, key) in specs), None)
