"""Corners of a session's cameras, projected: where its pictures have them, and the same again from the same seed."""

import numpy as np

from testbed.bench.cameras import with_cameras
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS
from testbed.model.fiducials import Sight
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.cameras import motions_of
from testbed.rehearsal.projected_cameras import ProjectedCameras

DEMO = with_cameras(load_configuration(locate("plans/demo.yaml")))


def placed():
    """Three vehicles face to face in a row, and their cameras."""
    plant, draws = build_plant(DEMO)
    for index, (x, heading) in enumerate(((-0.7, 0.0), (0.0, np.pi), (0.8, np.pi))):
        plant.place(index, np.array([x, 0.0, 0.0]), np.array([0, 0, np.sin(heading / 2), np.cos(heading / 2)]), 0)
    return plant, ProjectedCameras(DEMO, plant, draws)


def test_they_see_what_sight_sees():
    plant, cameras = placed()
    motions = motions_of(plant, 3, LOCKSTEP_START_NS)
    vehicles = list(DEMO.vehicles.values())
    for index in cameras.indices:
        partners = [*vehicles[:index], *vehicles[index + 1 :]]
        expected = Sight(vehicles[index].camera, partners).corners(motions[index], np.delete(motions, index))
        visible = [(one.partner, one.fiducial.id) for one in expected if one.visible]
        seen = cameras.look(index, LOCKSTEP_START_NS)
        named = [(partner, fiducial.id) for partner, fiducial in cameras.corners[index].fiducials]
        assert [name for name, one in zip(named, seen, strict=True) if one["visible"]] == visible
    assert visible, "the last one sees somebody"


def test_the_same_seed_gives_the_same_corners_and_a_dark_camera_none():
    (plant, first), (_, second) = placed(), placed()
    one, other = (cameras.look(0, LOCKSTEP_START_NS)["reported"] for cameras in (first, second))
    assert np.array_equal(one, other, equal_nan=True)
    assert np.isfinite(one).any()
    plant.vehicles["camera_dark"][0] = True
    dark = first.look(0, LOCKSTEP_START_NS)
    assert not dark["detected"].any()
    assert np.isnan(dark["reported"]).all()
