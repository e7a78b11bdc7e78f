"""The one function that finds configuration files, wherever testbed was installed from."""

import os
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import testbed
from testbed.description.errors import ConfigurationError, Problem

PACKAGE = Path(testbed.__file__).resolve().parent
SHARE = Path("share", "testbed", "config")


def locate(
    name: str | Path, *, plan: Path | None = None, environment: Mapping[str, str] = os.environ, package: Path = PACKAGE
) -> Path:
    """Return the absolute path of the configuration file or folder `name`, such as `vehicles/wren.yaml`.

    Looked for in this order, the first that exists wins: an absolute path as it is; beside the file `plan`, or, without
    one, in the current folder (what a person types); in each folder of TESTBED_CONFIG_PATH; in share/testbed/config of
    the install prefix; in config/ of the checkout.

    Raises:
        ConfigurationError: nowhere found; the error names every folder searched.

    """
    folders = list(search_folders(plan, environment, package))
    for folder in folders:
        # joining an absolute name gives that name itself
        if (found := folder / name).exists():
            return found.absolute()
    searched = "" if Path(name).is_absolute() else f" in one of {', '.join(str(folder) for folder in folders)}"
    raise ConfigurationError([Problem(plan, None, "file", str(name), f"a file that exists{searched}")])


def search_folders(
    plan: Path | None = None, environment: Mapping[str, str] = os.environ, package: Path = PACKAGE
) -> Iterator[Path]:
    """Yield the folders in which `locate` looks, in its order."""
    yield plan.absolute().parent if plan is not None else Path.cwd()
    yield from _paths(environment.get("TESTBED_CONFIG_PATH", ""))
    prefixes = (*package.parents, *_paths(environment.get("AMENT_PREFIX_PATH", "")), Path(sys.prefix))
    yield from dict.fromkeys(prefix / SHARE for prefix in prefixes if (prefix / SHARE).is_dir())
    if (package.parent / "package.xml").is_file():  # only a checkout has it there
        yield package.parent / "config"


def _paths(variable: str) -> list[Path]:
    return [Path(entry).expanduser().absolute() for entry in variable.split(os.pathsep) if entry]
