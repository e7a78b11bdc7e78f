"""What the terminal shows while a rehearsal runs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from testbed.cli.keys import LEGEND
from testbed.cli.sentences import sentence
from testbed.plan.commands import PlanState
from testbed.plan.guard_events import KIND as GUARD_EVENT
from testbed.plan.separation_events import KIND as SEPARATION_EVENT
from testbed.plan.valve_events import KIND as VALVE_EVENT

if TYPE_CHECKING:
    from testbed.nodes.launcher import Progress

CAUTION = "Compressed gas, moving masses, lithium cells: local safety rules and qualified staff come first."
GUARDED = (GUARD_EVENT, SEPARATION_EVENT, VALVE_EVENT)
"""Kinds of events of which the last one stays in sight."""


@contextmanager
def live_progress(plan: str) -> Iterator[Callable[[Progress], None]]:
    """Show a session on the live graph; where output is no terminal, print what is decided, a line each."""
    console = Console()
    console.print(f"[bold]{plan}[/bold]  {CAUTION}")
    printed = 0

    def print_events(progress: Progress) -> None:
        nonlocal printed
        for event in progress.events[printed:]:
            console.print(Text(sentence(event)), soft_wrap=True)
        printed = len(progress.events)

    if not sys.stdout.isatty():
        yield print_events
        return
    with Live(console=console, refresh_per_second=10, transient=True) as live:

        def show(progress: Progress) -> None:
            print_events(progress)
            guarded = [event for event in progress.events if event.kind in GUARDED]
            live.update(panel(progress.state, sentence(guarded[-1]) if guarded else ""))

        yield show


@contextmanager
def engine_progress() -> Iterator[Callable[[PlanState], None]]:
    """Show where the engine is."""
    console = Console()
    if not sys.stdout.isatty():
        yield lambda state: None
        return
    with Live(console=console, refresh_per_second=10, transient=True) as live:
        yield lambda state: live.update(panel(state))


def panel(state: PlanState | None, guarded: str = "") -> Group | Text:
    """The session at a glance; `guarded`: what a safety filter or guard has done last."""
    if state is None:
        return Text("starting: waiting for every part to answer")
    table = Table.grid(padding=(0, 2))
    table.add_row(
        "run", f"{state.run or '-'} ({state.run_number} of {state.runs})", "try", f"{state.attempt} of {state.attempts}"
    )
    table.add_row("phase", state.phase.value, "valves", "may fire" if state.permit else "held closed")
    table.add_row("elapsed", f"{state.elapsed:6.1f} s", "remaining", f"at most {state.remaining:6.1f} s")
    gas = ", ".join(_gas(name, grams, state.outlook.get(name)) for name, grams in state.gas_left_g.items())
    worst = "-" if state.worst_separation is None else f"{state.worst_separation:.3f} m"
    table.add_row("gas left", gas, "worst separation", worst)
    if state.battery:
        left = (f"{name} {100.0 * one['charge']:.0f} % ({one['voltage']:.1f} V)" for name, one in state.battery.items())
        table.add_row("battery left", ", ".join(left))
    if state.floating_left:
        floats = ", ".join(f"{name} {left / 60.0:.0f} min" for name, left in state.floating_left.items())
        table.add_row("bearing air", floats)
    table.add_row("gas in the room", f"{state.room_gas_ppm:.0f} ppm released", "", "")
    last = [Text(f"last of filter or guard: {guarded}")] if guarded else []
    return Group(table, Text(state.decision, style="bold"), *last, Text(LEGEND, style="dim"))


def _gas(name: str, grams: float, outlook: Mapping[str, float | int | None] | None) -> str:
    """What is left, and in brackets how far it goes: seconds of full thrust, Δv, runs."""
    if outlook is None:
        return f"{name} {grams:.1f} g"
    runs = "" if outlook["runs"] is None else f", {outlook['runs']} runs"
    return f"{name} {grams:.1f} g ({outlook['full_thrust']:.0f} s, {outlook['delta_v']:.1f} m/s{runs})"
