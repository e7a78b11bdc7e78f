"""What the operator may ask of a session, and when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from testbed.plan.commands import OVER, TRYING, SessionPhase
from testbed.plan.observation import Request, RequestKind
from testbed.plan.results import Verdict

if TYPE_CHECKING:
    from testbed.plan.sequence import Sequence, Then

BETWEEN = {SessionPhase.EVALUATING, SessionPhase.HELD}
"""Phases in which the try is over and what follows can still be changed."""


def obey(sequence: Sequence, request: Request) -> None:
    """Do what is asked, or report why not. A stop is always obeyed; a remark always kept."""
    if request.kind == "note":
        sequence.out.event("remark", text=request.text, name=request.name)
    elif refusal := _REQUESTS[request.kind](sequence, request):
        sequence.out.event("refused", request=request.kind, reason=refusal)
        sequence.out.decide(f"Refused to {request.kind}: {refusal}")


def _start(sequence: Sequence, request: Request) -> str:
    if sequence.phase is not SessionPhase.WAITING:
        return "the session has started already"
    sequence.start()
    return ""


def _stop(sequence: Sequence, request: Request) -> str:
    if sequence.phase is not SessionPhase.STOPPED:
        sequence.stop(request.text or "asked for by the operator")
    return ""


def _hold(sequence: Sequence, request: Request) -> str:
    if sequence.phase not in TRYING | {SessionPhase.EVALUATING}:
        return "nothing moves under control now"
    sequence.hold(request.text or "asked for by the operator")
    return ""


def _release(sequence: Sequence, request: Request) -> str:
    if sequence.phase is not SessionPhase.HELD:
        return "the session is not held"
    sequence.release()
    return ""


def _end(sequence: Sequence, request: Request) -> str:
    return _cut(sequence, "finish", "the session was ended")


def _skip(sequence: Sequence, request: Request) -> str:
    refusal = _cut(sequence, "next", "the run was skipped")
    if not refusal:
        sequence.replace_result(sequence.run_index, skipped=True)
        sequence.out.event("skip", text=request.text)
    return refusal


def _repeat(sequence: Sequence, request: Request) -> str:
    return _cut(sequence, "again", "the try was repeated")


def _cut(sequence: Sequence, then: Then, reason: str) -> str:
    """End the try at hand, or change what follows one that is over."""
    if sequence.phase in TRYING:
        sequence.end_try(Verdict.ENDED, reason, then)
    elif sequence.phase in BETWEEN:
        sequence.then = then
        if sequence.phase is SessionPhase.HELD:
            sequence.release()
    elif then == "finish" and sequence.phase not in OVER:
        sequence.finish(reason)
    else:
        return "no run is at hand"
    return ""


def _void(sequence: Sequence, request: Request) -> str:
    """Declare void the try that is running or waits to be judged, else the one judged last."""
    if not (request.text and request.name):
        return "a try is declared void only with a reason and a name"
    reason = f"declared void by {request.name}: {request.text}"
    if sequence.phase is SessionPhase.RUNNING:
        sequence.end_try(Verdict.VOID, reason, "again")
    elif sequence.ending is not None:
        sequence.ending, sequence.then = replace(sequence.ending, verdict=Verdict.VOID, reason=reason), "again"
    else:
        return _void_last(sequence, request, reason)
    sequence.out.event("void", reason=request.text, name=request.name)
    return ""


def _void_last(sequence: Sequence, request: Request, reason: str) -> str:
    index = max((index for index, result in enumerate(sequence.results) if result.tries), default=None)
    if index is None:
        return "no try has been made yet"
    tries = sequence.results[index].tries
    sequence.replace_result(index, tries=(*tries[:-1], replace(tries[-1], verdict=Verdict.VOID, reason=reason)))
    run, attempt = sequence.results[index].name, tries[-1].attempt
    sequence.out.event("void", reason=request.text, name=request.name, run=run, attempt=attempt)
    sequence.out.decide(f"{run}, try {attempt} is {reason}")
    if index == sequence.run_index and sequence.phase in BETWEEN:
        sequence.then = "again"
    return ""


_REQUESTS: Final[dict[RequestKind, Callable[[Sequence, Request], str]]] = {
    "start": _start,
    "stop": _stop,
    "hold": _hold,
    "release": _release,
    "end": _end,
    "skip": _skip,
    "repeat": _repeat,
    "void": _void,
}
