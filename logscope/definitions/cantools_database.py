"""cantools' database package, without what `import cantools` brings along.

`cantools/__init__` imports its tester, with it python-can, and with that whatever python-can finds installed for its
log formats: two thirds of the time in which a short log is decoded. Reading definitions needs none of it.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from threading import Lock
from types import ModuleType

_importing = Lock()


def database() -> ModuleType:
    """The module `cantools.database`; a later `import cantools` gives the whole package as ever."""
    name = "cantools"
    with _importing:
        if name not in sys.modules and (spec := find_spec(name)) is not None:
            sys.modules[name] = module_from_spec(spec)  # the bare package: where its parts lie, nothing executed
            try:
                return import_module(f"{name}.database")
            finally:
                del sys.modules[name]
        return import_module(f"{name}.database")
