"""The safety filter: whatever guidance, a partner or a person asks for, no two vehicles come too near.

One per vehicle, between guidance and guard, independent of both: it knows its own odometry and the newest of each
partner, and what is stated of all of them (memory.PARAMETERS, PARTNER). Once a period it passes the asked wrench on, as
much of it as it can, or brakes, holds its place, or evades.

*Stopping.* The way of a vehicle leads from where a wrench begins to act to where that has acted and on, along the
velocity, to where a brake stops: v²/(2·braking) farther. Lemma S (tests/drawn/stops.py): if it only brakes and holds
its place from then on, it stays within `reach` of that way, foreseen by itself from its odometry and what it has sent,
or by a partner from its last odometry and any acceleration up to `thrust` until the wrench of now has acted. Namely:
the way of a stop depends on v with slope v/braking; a brake that points aside by an angle moves its end by half that
share of the way; a place that is held by positions is not left by more than `hold`, however the errors change.
*Evading.* Lemma E: pushing straight away from a body that strays, d'' >= outrun, since motion across the line of sight
only adds to d''. So from the closing speed c on, the distance d falls by no more than c²/(2·outrun).

Theorem. Let odometries be wrong by no more than stated and not older than `oldest`; let wrenches act as long, as late
and as strongly as believed, to within what is stated, and go on unchanged; and let at the start no wrench at all pass.
A. Any two that run this filter, whatever others do, stay farther apart than `keep`, which is above the minimum.
B. So do two alone of which one ceases to, at any time (valves closed: stray 0; valves stuck: their thrust).
C. Without any of this, but with errors as stated and nobody above `thrust`: no separation is below its minimum unless
   CLOSE was said at the decision before; and where A or B holds, CLOSE is never said.
Proof. A: let W be all the places where a vehicle may be if its filter admits nothing any more. Passing, trimming and
evading admit; braking and holding do not, and W only shrinks. Claim: W of any two stay `keep` apart. Whoever admits has
checked that its new W, by Lemma S, is `keep` from the W that its partner has or may take at the same moment, by Lemma S
again. That is all it needs: no agreement, no equal measurement. Where the check fails although the claim holds, as it
allows for more than there may be, it admits only what leads away at least as fast as the brake from every place on the
partner's way (`leads_away`; the place it holds never moves nearer), or straight away from one partner: at closing speed
c and speed v that takes at least as much off the reach c·v/(2b) as the brake does, since v + c²/v >= 2c.
B: admitted is only what leaves room to evade, for any thrust of the partner until it has acted and `stray` after. When
nothing can be admitted, evading keeps the distance, by Lemma E, and to two alone evading is always open. Both reckon
with the lesser `outrun`, so a partner that still cooperates leaves the room that is needed when it ceases to.
C: `keep` exceeds the minimum by twice what the distance may be measured wrong by, and what it can fall by in a period.

With three and more, evading one may lead to another. Then the filter does what leaves most room of all that leads to
nobody who brakes, and says LEANS: A still holds, but not against that one partner straying. Where odometry is missing,
old, or less sure than stated, or a partner moved as it could not, it says that it cannot guarantee (CANNOT_GUARANTEE),
and brakes or evades all the same. The guard comes after it: at the edge of the work area, or at its limit of speed, the
guard wins. So evasions are looked for inside the work area; where only the edge is in the way, it says LEANS, and
against a partner that pushes it there is no guarantee.
A docking permit (PERMIT) lowers the minimum of one pair while who docks is within its corridor for certain, at its stop
too, and slow enough; the margins above are kept on top of what the corridor says.
"""

from testbed.flight.separation.memory import MAX_PARTNERS, PERMIT, Company, Partner
from testbed.flight.separation.safety_filter import SafetyFilter
from testbed.flight.separation.worry import CANNOT_GUARANTEE, NEWS, Action, Worry

__all__ = [
    "CANNOT_GUARANTEE",
    "MAX_PARTNERS",
    "NEWS",
    "PERMIT",
    "Action",
    "Company",
    "Partner",
    "SafetyFilter",
    "Worry",
]
