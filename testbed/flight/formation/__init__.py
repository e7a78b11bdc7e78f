"""Formations: slots that a frame carries, who takes which, and trajectories that get everyone there without meeting."""

from testbed.flight.formation.assignment import assign
from testbed.flight.formation.course import Course, Replanning, begin, redirect, watch
from testbed.flight.formation.formations import Formations
from testbed.flight.formation.frame import Frame, Slot
from testbed.flight.formation.given import FormationTask, Place, Tasks
from testbed.flight.formation.order import Order, Planned, Why
from testbed.flight.formation.planner import Outcome, Plan, plan
from testbed.flight.formation.record import trajectory_record
from testbed.flight.formation.slots import carried, line, ring
from testbed.flight.formation.task import Keeping, Limits, Task
from testbed.flight.formation.trajectories import Coasting, Followed, Trajectories, resting
from testbed.flight.formation.turn import Turn
from testbed.flight.formation.zones import Area, Zone

__all__ = [
    "Area", "Coasting", "Course", "Followed", "FormationTask", "Formations", "Frame", "Keeping", "Limits", "Order",
    "Outcome", "Place", "Plan", "Planned", "Replanning", "Slot", "Task", "Tasks", "Trajectories", "Turn", "Why", "Zone",
    "assign", "begin", "carried", "line", "plan", "redirect", "resting", "ring", "trajectory_record", "watch",
]  # fmt: skip
