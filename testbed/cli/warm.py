"""`testbed warm`: compile every kernel once, so that nothing that runs in real time waits for a compiler."""

import fcntl
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from testbed.kernels import PACKAGE, cache_directory, kernel_sources

KEPT_DAYS = 30.0


def warm() -> None:
    """Compile the numerical kernels for this machine; done at once when they are compiled already."""
    folder = cache_directory()
    complete = folder / "complete"
    if complete.exists():
        print(f"kernels ready in {folder}")
        return
    compile_into(folder)


def ensure_warm() -> None:
    """Compile what is not compiled yet; silent where nothing is to be done."""
    folder = cache_directory()
    if not (folder / "complete").exists():
        compile_into(folder)


def compile_into(folder: Path) -> None:
    """Compile into a cache folder, or wait for somebody else who is at it."""
    complete = folder / "complete"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # a second one waits instead of compiling the same
        if not complete.exists():
            seconds = compile_all()
            complete.touch()
            print(f"kernels compiled in {seconds:.0f} s, kept in {folder}")
    forget_old(folder)


def compile_all() -> float:
    """Compile everything behind a progress bar and return the seconds it took."""
    from testbed.rehearsal.warm import warm as run_everything_once

    start = time.monotonic()
    with progress_bar() as progress:
        run_everything_once(progress)
    return time.monotonic() - start


@contextmanager
def progress_bar() -> Iterator[Callable[[str], None]]:
    """Show how many kernels numba has compiled so far; yield a function that says what they are compiled for."""
    from numba.core import event
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    total = sum(source.count(b"\n@njit") for source in kernel_sources(PACKAGE).values())
    columns = TextColumn("compiling kernels"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn()
    with Progress(*columns, TextColumn("{task.description}")) as bar:
        task = bar.add_task("", total=total)

        class Compiled(event.Listener):
            def on_start(self, event: event.Event) -> None:
                bar.update(task, description=event.data["dispatcher"].py_func.__name__)

            def on_end(self, event: event.Event) -> None:
                bar.advance(task)

        with event.install_listener("numba:compile", Compiled()):
            yield lambda text: bar.update(task, description=text)
        bar.update(task, completed=total, description="")


def forget_old(current: Path, days: float = KEPT_DAYS) -> None:
    """Remove the kernels of sources that nobody has warmed for `days`: each edit of a kernel leaves a folder behind."""
    limit = time.time() - days * 86400
    for folder in current.parent.iterdir():
        if folder != current and folder.stat().st_mtime < limit:
            shutil.rmtree(folder, ignore_errors=True)
