"""A guidance of one's own: the goal walks, and a damped spring pulls the vehicle after it.

Named by config/own/wren_spring.yaml as `spring:SpringGuidance`; copy it and change what it does. It holds, translates
and rotates, on the table and in the cabin. testbed/flight/own/protocols.py says what each record means.
"""

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.axes import axis_mask
from testbed.description.maneuver import Kind, Phase, Reason
from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE

NEAR = 0.02, np.radians(2.0)
"""Errors within which a maneuver counts as settled, m and rad."""
SETTLED = 2.0
"""How long both must stay so small until it is done, s."""


class SpringGuidance:
    def __init__(self, vehicle, place, active_axes):
        body = vehicle.mass_properties(place)
        self.mass, self.inertia = body.mass, body.inertia_tensor()
        self.stiffness = vehicle.control.position_bandwidth, vehicle.control.attitude_bandwidth  # rad/s
        self.damping = vehicle.control.damping
        self.free = axis_mask(active_axes)
        self.maneuver = None

    def accept_maneuver(self, maneuver):
        self.maneuver = maneuver[0]
        self.position = None
        self.near_since = None

    def step(self, odometry, disturbance, wrench, reference, status):
        seen, push, follow, account = odometry[0], wrench[0], reference[0], status[0]
        reason = self.reason(seen)
        account["reason"] = reason
        if reason != Reason.NONE:
            return
        attitude = Rotation.from_quat(seen["orientation"])
        velocity = self.walk(seen, attitude)
        off, turned = self.position - seen["position"], (attitude.inv() * self.attitude).as_rotvec()

        soft, firm = self.stiffness
        drift = velocity - attitude.apply(seen["linear_velocity"])
        force = self.mass * (soft**2 * off + 2.0 * self.damping * soft * drift) - disturbance[0]["force"]
        push["force"] = attitude.inv().apply(force * self.free[:3])
        spring = firm**2 * turned - 2.0 * self.damping * firm * seen["angular_velocity"]
        push["torque"] = self.inertia @ (spring * self.free[3:])

        follow["position"], follow["orientation"] = self.position, self.attitude.as_quat()
        follow["linear_velocity"] = self.attitude.inv().apply(velocity)
        self.tell(
            account, int(seen["stamp"]), np.linalg.norm(off * self.free[:3]), np.linalg.norm(turned * self.free[3:])
        )

    def reason(self, seen):
        """Why nothing is asked for now, if so."""
        if self.maneuver is None or self.maneuver["kind"] == Kind.NONE:
            return Reason.NO_MANEUVER
        if seen["pose_covariance"][0, 0] > 0.5 * UNKNOWN_VARIANCE:
            return Reason.NO_FIX
        if seen["stamp"] < self.maneuver["start"]:
            return Reason.NOT_STARTED
        return Reason.OUT_OF_TIME if seen["stamp"] >= self.maneuver["expiry"] else Reason.NONE

    def walk(self, seen, attitude):
        """Let position and attitude walk towards the goal, each at its speed limit; returns the velocity, m/s."""
        if self.maneuver["kind"] == Kind.TRACK:
            raise NotImplementedError("this guidance flies no track; use hold, translate and rotate")
        if self.position is None:  # a new maneuver: walk from here
            self.position, self.attitude, self.walked = seen["position"].copy(), attitude, int(seen["stamp"])
            self.goal = self.maneuver["position"] if self.maneuver["position_given"] else self.position.copy()
            self.facing = Rotation.from_quat(self.maneuver["orientation"])
            if not self.maneuver["orientation_given"]:
                self.facing = attitude
        seconds, self.walked = (int(seen["stamp"]) - self.walked) / NS_PER_S, int(seen["stamp"])
        way, before = self.goal - self.position, self.position
        distance, step = np.linalg.norm(way), self.maneuver["speed_limit"] * seconds
        self.position = self.goal if distance <= step else before + way * step / distance
        turn, step = (self.facing * self.attitude.inv()).as_rotvec(), self.maneuver["rate_limit"] * seconds
        angle = np.linalg.norm(turn)
        self.attitude = self.facing if angle <= step else Rotation.from_rotvec(turn * step / angle) * self.attitude
        self.arrived = distance <= 0.0 and angle <= 1e-9
        return (self.position - before) / seconds if seconds > 0.0 else np.zeros(3)

    def tell(self, account, stamp, off, turned):
        """Phase and errors; the conductor goes on when the phase is HOLDING."""
        account["position_error"], account["attitude_error"] = off, turned
        if not self.arrived or off > NEAR[0] or turned > NEAR[1]:
            self.near_since = None
        elif self.near_since is None:
            self.near_since = stamp
        settled = self.near_since is not None and stamp - self.near_since >= SETTLED * NS_PER_S
        account["phase"] = Phase.HOLDING if settled else Phase.SETTLING if self.arrived else Phase.MOVING
