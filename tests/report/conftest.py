"""Made-up sessions, each written once."""

import pytest

from testbed.plan.observation import Request
from tests.record.synthetic import Faults, write_session
from tests.report.plan import short_plan

FAULTS = {
    "passed": Faults,
    "retried": lambda: Faults(drift={("hold", 1): 0.1}),
    "failed": lambda: Faults(contacts={("move", 1): 5.0, ("move", 2): 6.0}),
    "stopped": lambda: Faults(stop_at=12.0),
    "plant died": lambda: Faults(plant_dies_at=12.0),
    "cut": lambda: Faults(cut_at=12.0),
    "interrupted": lambda: Faults(interrupt_at=12.0),
    "contradicted": lambda: Faults(lie=True),
    "void": lambda: Faults(
        drift={("hold", 1): 0.1},
        requests={3.0: Request("void", "somebody leaned on the table", "Mira"), 4.0: Request("note", "dusty", "Jo")},
    ),
}


@pytest.fixture(scope="session")
def sessions(tmp_path_factory):
    """Results folders by what happened in them, made when asked for."""
    made = {}

    def get(name):
        if name not in made:
            made[name] = tmp_path_factory.mktemp("session")
            write_session(made[name] / "recording", short_plan(), FAULTS[name]())
        return made[name]

    return get
