"""MuJoCo on the same bodies under the same forces, stepped by a compiled loop (Todorov et al., IROS 2012)."""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.bench.plant.reference import TICK, Reference
from testbed.description.rotation import heading

MODEL: Final = Path(__file__).with_name("three_discs.xml")
BODIES: Final = ("first", "second", "third")
EDGES: Final = ("south", "east", "north", "west")
INTEGRATORS: Final = ("Euler", "implicitfast", "RK4")


class Peer:
    """Three discs under one integrator of MuJoCo at a step of one tick.

    Their forces come as generalised forces from a table, or with `valves` from MuJoCo's own actuators, one for each
    valve in the plane, whose directions turn with the body also within a step.
    """

    def __init__(
        self, world: np.void, vehicles: NDArray[np.void], states: NDArray[np.void], integrator: str, valves: bool
    ) -> None:
        import mujoco

        spec = mujoco.MjSpec.from_file(str(MODEL))
        spec.option.timestep = TICK
        spec.option.integrator = getattr(mujoco.mjtIntegrator, f"mjINT_{integrator.upper()}")
        for name, vehicle, state in zip(BODIES, vehicles, states, strict=True):
            _set_body(spec, name, vehicle, state)
        _set_edges(spec, world)
        self._planar = [_planar(vehicle) for vehicle in vehicles]
        if valves:
            for name, vehicle, planar in zip(BODIES, vehicles, self._planar, strict=True):
                _add_valves(spec, name, vehicle, planar)
            weight = -world["gravity"] * np.array([*world["tilt"], 0.0])
            spec.option.gravity = weight
        self.valves = valves
        self.model = spec.compile()
        self.data = mujoco.MjData(self.model)
        self._start = np.array([[*state["centre"][:2], heading(state["orientation"])] for state in states])
        self._speed = np.array([[*state["velocity"][:2], state["rate"][2]] for state in states])
        self._loop = _compiled_loop(mujoco)

    def inputs(self, reference: Reference, ticks: int) -> NDArray[np.float64]:
        """Rows of what acts in each tick, the reference repeated for as long as it takes."""
        if self.valves:
            columns = [reference.openings[:, v, which] for v, which in enumerate(self._planar)]
            rows = np.concatenate(columns, axis=1)
        else:
            rows = reference.wrench.reshape(len(reference.wrench), -1)
        return np.ascontiguousarray(np.resize(rows, (ticks, rows.shape[1])))

    def fly(self, inputs: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """From the start through all inputs; where the bodies are then, shape (3, 3), and seconds that a step took."""
        data = self.data
        data.time, data.qpos[:], data.qvel[:] = 0.0, self._start.ravel(), self._speed.ravel()
        into = data.ctrl if self.valves else data.qfrc_applied
        began = time.perf_counter()
        self._loop(self.model._address, data._address, into, inputs)
        spent = (time.perf_counter() - began) / len(inputs)
        return data.qpos.reshape(3, 3).copy(), spent


def _set_body(spec: Any, name: str, vehicle: np.void, state: np.void) -> None:
    """One body, its frame at its centre of mass."""
    body = spec.body(name)
    body.mass = vehicle["mass"]
    body.inertia = np.diag(vehicle["inertia"])
    for joint, drag in (("x", "film_drag"), ("y", "film_drag"), ("heading", "film_drag_rotation")):
        spec.joint(f"{name} {joint}").damping[0] = vehicle[drag]
    disc = spec.geom(name)
    disc.size[0] = vehicle["contact_radius"]
    disc.pos = (-vehicle["centre_of_mass"][0], -vehicle["centre_of_mass"][1], 0.0)


def _set_edges(spec: Any, world: np.void) -> None:
    for e, name in enumerate(EDGES):
        edge = spec.geom(name)
        edge.pos = (*world["edge_point"][e][:2], 0.0)
        edge.alt.zaxis = (*world["edge_normal"][e][:2], 0.0)


def _planar(vehicle: np.void) -> NDArray[np.int64]:
    """The valves that push along the plane, not those that only lean a little from the vertical."""
    return np.flatnonzero(np.linalg.norm(vehicle["valve_force"][:, :2], axis=1) > 0.5 * vehicle["valve_thrust"])


def _add_valves(spec: Any, name: str, vehicle: np.void, planar: NDArray[np.int64]) -> None:
    import mujoco

    site = f"{name} centre"
    spec.body(name).add_site(name=site)
    for valve in planar:
        force, torque = vehicle["valve_force"][valve], vehicle["valve_torque"][valve]
        actuator = spec.add_actuator(name=f"{name} {valve}", target=site, trntype=mujoco.mjtTrn.mjTRN_SITE)
        actuator.gear = (force[0], force[1], 0.0, 0.0, 0.0, torque[2])


def _compiled_loop(mujoco: Any) -> Callable[..., None]:
    """A loop over the rows of a table that calls MuJoCo's mj_step with nothing of Python in between."""
    (library,) = Path(mujoco.__file__).parent.glob("libmujoco.so*")
    step = ctypes.CDLL(str(library)).mj_step
    step.argtypes, step.restype = (ctypes.c_void_p, ctypes.c_void_p), None

    @njit
    def loop(model: int, data: int, into: NDArray[np.float64], table: NDArray[np.float64]) -> None:
        for k in range(len(table)):
            for i in range(len(into)):
                into[i] = table[k, i]
            step(model, data)

    compiled: Callable[..., None] = loop
    return compiled
