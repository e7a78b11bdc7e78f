"""The report: one page that needs nothing else, made from a recording alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from testbed.description.messages import NS_PER_S
from testbed.plan import formatting
from testbed.plan.guard_events import KIND as GUARD_EVENT
from testbed.plan.guard_events import told_guard
from testbed.plan.observation import Contact
from testbed.plan.results import Verdict
from testbed.plan.separation_events import KIND as SEPARATION_EVENT
from testbed.plan.separation_events import told_separation
from testbed.plan.valve_events import KIND as VALVE_EVENT
from testbed.plan.valve_events import told_valve
from testbed.record.load import Recording, load
from testbed.record.notes import Note, read_notes
from testbed.record.recover import is_complete, recover
from testbed.record.results import Results
from testbed.record.voids import read_voids
from testbed.report.battery import battery_rows
from testbed.report.ending import Ending, ending
from testbed.report.figures.consistency import draw_consistency
from testbed.report.figures.context import TryContext
from testbed.report.figures.errors import draw_errors
from testbed.report.figures.gas import draw_gas
from testbed.report.figures.separation import draw_separation
from testbed.report.figures.side_view import draw_side_view
from testbed.report.figures.style import drawing, to_svg
from testbed.report.figures.tracks import draw_tracks
from testbed.report.figures.valves import draw_valves
from testbed.report.formations import plannings
from testbed.report.gas import gas_account
from testbed.report.objectives import outcomes
from testbed.report.readings import READINGS
from testbed.report.session import RunOutcome, Session, Try, judge
from testbed.report.summary import exit_code

WALL_CLOCK_NS: Final = 1_000_000_000 * NS_PER_S
"""Stamps from here on are times of day; in lockstep they begin near zero."""

SHORTEST: Final = 1.0
"""Of a try that was over within so many seconds only the tracks are drawn."""

FIGURES: Final[dict[str, Callable[[TryContext], Figure | None]]] = {
    "tracks": draw_tracks,
    "side": draw_side_view,
    "errors": draw_errors,
    "separation": draw_separation,
    "valves": draw_valves,
    "gas": draw_gas,
    "consistency": draw_consistency,
}


@dataclass(frozen=True)
class Drawn:
    """A figure on the page: its title, itself, and one line that says how to read it."""

    title: str
    svg: Markup
    reading: str


def make_report(folder: Path) -> Path:
    """Write report.html into a results folder from its recording, which is mended first where it was cut.

    Raises:
        RecordingError: no readable recording, or one without a configuration.

    """
    results = Results(folder)
    mended = not is_complete(results.recording) and recover(results.recording).mended
    recording = load(results.recording)
    session = judge(recording, read_voids(results.voids))
    page = render(recording, session, ending(recording), read_notes(results.notes), mended)
    partial = results.report.with_suffix(".partial")
    partial.write_text(page, encoding="utf-8")
    partial.replace(results.report)
    return results.report


def render(recording: Recording, session: Session, end: Ending, notes: list[Note], mended: bool = False) -> str:
    """The page as text."""
    environment = Environment(
        loader=PackageLoader("testbed.report", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(clock=formatting.clock)
    environment.globals.update(value_and_limit=formatting.value_and_limit)
    return environment.get_template("report.html.jinja").render(
        recording=recording,
        session=session,
        configuration=session.configuration,
        end=end,
        notes=notes,
        mended=mended,
        exit_code=exit_code(session, end),
        recorded=recorded_at(recording),
        objectives=outcomes(session),
        gas=gas_account(recording, session),
        guarded=[(event, _GUARDED[event.kind](event.data)) for event in recording.events if event.kind in _GUARDED],
        plannings=plannings(recording),
        batteries=battery_rows(recording),
        remarks=[event for event in recording.events if event.kind == "remark"],
        figures=lambda run, one: list(figures(recording, session, run, one)),
        contacts=lambda one: contacts(recording, one),
        seconds=recording.seconds,
    )


_GUARDED: Final = {GUARD_EVENT: told_guard, SEPARATION_EVENT: told_separation, VALVE_EVENT: told_valve}


def recorded_at(recording: Recording) -> str:
    """When the recording began, where its stamps are times of day."""
    if recording.start < WALL_CLOCK_NS:
        return "on the session's own clock, which begins near zero"
    return datetime.fromtimestamp(recording.start / NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def contacts(recording: Recording, one: Try) -> list[Contact]:
    """Every contact of a try."""
    if one.start is None:
        return []
    return [contact for contact in recording.contacts if one.start <= contact.stamp <= one.end]


def figures(recording: Recording, session: Session, run: RunOutcome, one: Try) -> Iterator[Drawn]:
    """Every figure of a try; none for a try that never began."""
    if one.samples is None or one.end <= one.samples.start:
        return
    stops = [event.data.get("ends", {}) for event in recording.events if event.kind == "stop"]
    coasts = stops[-1] if stops and one.verdict is Verdict.STOPPED else {}
    context = TryContext(recording, session.configuration, run.plan, one.samples, coasts)
    for name, draw in FIGURES.items() if context.duration >= SHORTEST else [("tracks", draw_tracks)]:
        with drawing():
            figure = draw(context)
            if figure is None:
                continue
            title, reading = READINGS[name]
            identity = f"{run.plan.name}-{one.attempt}-{name}"
            svg: Any = Markup(to_svg(figure, identity, f"{title}, {run.plan.name}, try {one.attempt}. {reading}"))
        yield Drawn(title, svg, reading)
