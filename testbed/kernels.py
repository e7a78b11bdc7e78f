"""Where compiled kernels are kept: one folder per state of their sources, libraries and processor.

numba's own cache looks only at the file of the function it compiles: when a callee or a constant in another file
changes, the old result comes back. So the folder is named by a hash over every file that a kernel can see.
"""

import hashlib
import importlib.util
import os
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parent
KERNEL_FOLDERS = ("description", "model", "flight", "rehearsal")
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")

_IMPORT = re.compile(
    rb"^[ \t]*(?:from|import)[ \t]+testbed(?:\.([\w.]+))?(?:[ \t]+import[ \t]+(\([^)]*\)|[^\n]*))?", re.MULTILINE
)
_NAME = re.compile(rb"\w+")


def prepare_environment() -> None:
    """Point numba at `cache_directory()` and hold numerical libraries to one thread, here and in child processes."""
    os.environ["NUMBA_CACHE_DIR"] = str(cache_directory())
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    if (config := sys.modules.get("numba.core.config")) is not None:  # read only once, when numba is imported
        vars(config)["CACHE_DIR"] = os.environ["NUMBA_CACHE_DIR"]


@cache
def cache_directory() -> Path:
    """Return the folder for kernels compiled from these sources, with these libraries, on this processor."""
    digest = hashlib.sha256()
    for name, source in sorted(kernel_sources(PACKAGE).items()):
        digest.update(f"{name}\0{len(source)}\0".encode() + source)
    # numba files what it compiled under the path of its source, so a copy of the package elsewhere shares nothing.
    for fact in (PACKAGE, sys.version, *installed_versions("numba", "llvmlite", "numpy"), processor()):
        digest.update(f"{fact}\0".encode())
    return user_cache() / "kernels" / digest.hexdigest()[:16]


def user_cache() -> Path:
    """Return this user's cache folder for testbed: XDG_CACHE_HOME, else ~/.cache, else /tmp."""
    if given := os.environ.get("XDG_CACHE_HOME"):
        return Path(given) / "testbed"
    try:
        return Path.home() / ".cache" / "testbed"
    except RuntimeError:  # no HOME and no entry in the password file
        return Path("/tmp", f"testbed-{os.getuid()}")


def kernel_sources(package: Path) -> dict[str, bytes]:
    """Return every source that compiled code can see, by its name relative to `package`.

    These are the files with an `njit` in them and, from each, all that it imports from this package, and so on.
    """
    sources: dict[str, bytes] = {}
    waiting = []
    for folder in KERNEL_FOLDERS:
        for path in (package / folder).rglob("*.py"):
            if b"njit" in (source := path.read_bytes()):
                waiting.append((path, source))
    while waiting:
        path, source = waiting.pop()
        name = path.relative_to(package).as_posix()
        if name not in sources:
            sources[name] = source
            waiting.extend((found, found.read_bytes()) for found in _imported(package, source))
    return sources


def installed_versions(*libraries: str) -> list[str]:
    """Return what is installed of each library, as the name of its metadata folder, without importing anything.

    importlib.metadata would answer the same but takes 25 ms to load, and every process of a rehearsal starts here.
    """
    found = []
    for library in libraries:
        spec = importlib.util.find_spec(library)
        site = Path(spec.origin).parent.parent if spec and spec.origin else None
        names = (entry.name for entry in os.scandir(site)) if site else ()
        marks = (
            name for name in names if name.startswith(f"{library}-") and name.endswith((".dist-info", ".egg-info"))
        )
        found.append(min(marks, default=f"{library} {site}"))
    return found


def processor() -> str:
    """Return model and features of the first processor as Linux tells them, without its clock, which never rests."""
    try:
        with Path("/proc/cpuinfo").open(encoding="utf-8", errors="replace") as file:
            entry = iter(file.readline, "\n")
            return "".join(line for line in entry if line.startswith(("model name", "flags", "CPU ", "Features")))
    except OSError:
        return os.uname().machine


def _imported(package: Path, source: bytes) -> Iterator[Path]:
    """Yield the files of `package` that the import lines of `source` name, as modules or as names in a package."""
    for module, names in _IMPORT.findall(source):
        base = package.joinpath(*module.decode().split("."))
        candidates = [base.parent / f"{base.name}.py", base / "__init__.py"]
        candidates += [base / f"{name.decode()}.py" for name in _NAME.findall(names)]
        yield from (path for path in candidates if path.is_file())
