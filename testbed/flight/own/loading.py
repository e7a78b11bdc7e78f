"""From the import path in a vehicle file to the class."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

from testbed.flight.own.errors import OwnPartError, named


def load_class(import_path: str, folders: Sequence[Path]) -> type:
    """Import `package.module:Class`; a module is looked for where Python looks, and then in `folders`.

    The folders stay at the end of Python's path, so that what lies in them can hide no library.

    Raises:
        OwnPartError: the module cannot be imported, has no such class, or is hidden by another one of its name.

    """
    for folder in map(str, folders):
        if folder not in sys.path:
            sys.path.append(folder)
    module_name, _, class_name = import_path.partition(":")
    with named(f"a class that can be imported from Python's path or {' or '.join(map(str, folders))}"):
        module = importlib.import_module(module_name)
    _refuse_hidden(module, module_name, folders)
    found = getattr(module, class_name, None)
    if not isinstance(found, type):
        names = sorted(name for name, value in vars(module).items() if _defined_here(value, module))
        raise OwnPartError(f"a class in {module.__file__}; it has {', '.join(names) or 'none'}")
    return found


def _defined_here(value: object, module: ModuleType) -> bool:
    return isinstance(value, type) and value.__module__ == module.__name__


def _refuse_hidden(module: ModuleType, name: str, folders: Sequence[Path]) -> None:
    """A file beside the vehicle that is not the one imported would be passed over without a word."""
    top = name.partition(".")[0]
    loaded = Path(sys.modules[top].__file__ or "").resolve()
    for folder in folders:
        files = [one.resolve() for one in (folder / f"{top}.py", folder / top / "__init__.py") if one.is_file()]
        if loaded in files:
            return
        if files:
            raise OwnPartError(f"a module name that nothing else has: Python takes {loaded} instead of {files[0]}")
