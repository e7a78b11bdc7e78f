"""Where configuration is found, and in which order."""

from pathlib import Path

import pytest

from testbed.description.errors import ConfigurationError
from testbed.description.locate import locate

NAME = "vehicles/probe.yaml"


def write(folder: Path, name: str = NAME) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("name: probe\n")
    return path


@pytest.fixture
def places(tmp_path: Path) -> dict[str, Path]:
    """One folder for each kind of place, and a package installed in a prefix."""
    return {
        "plan": tmp_path / "lab",
        "first": tmp_path / "first",
        "second": tmp_path / "second",
        "prefix": tmp_path / "prefix/share/testbed/config",
        "ament": tmp_path / "workspace/install/testbed/share/testbed/config",
    }


def find(tmp_path: Path, name: str = NAME) -> Path:
    return locate(
        name,
        plan=tmp_path / "lab/plan.yaml",
        environment={
            "TESTBED_CONFIG_PATH": f"{tmp_path / 'first'}:{tmp_path / 'second'}",
            "AMENT_PREFIX_PATH": f"/opt/ros/none:{tmp_path / 'workspace/install/testbed'}",
        },
        package=tmp_path / "prefix/lib/python3.11/site-packages/testbed",
    )


def test_the_order_is_plan_then_path_then_install_prefix_then_ament(tmp_path, places):
    for folder in reversed(places.values()):  # each place that is added hides all that were there before
        expected = write(folder)
        assert find(tmp_path) == expected


@pytest.mark.parametrize("place", ["plan", "first", "second", "prefix", "ament"])
def test_every_place_alone_is_enough(tmp_path, places, place):
    expected = write(places[place])
    assert find(tmp_path) == expected


def test_an_absolute_path_is_taken_as_it_is(tmp_path, places):
    write(places["plan"])
    elsewhere = write(tmp_path / "elsewhere")
    assert find(tmp_path, str(elsewhere)) == elsewhere


def test_a_checkout_is_searched_last(tmp_path):
    checkout = tmp_path / "checkout"
    write(checkout, "package.xml")
    expected = write(checkout / "config")
    assert locate(NAME, environment={}, package=checkout / "testbed") == expected


def test_folders_are_found_too(tmp_path, places):
    write(places["second"])
    assert find(tmp_path, "vehicles") == places["second"] / "vehicles"


def test_the_result_is_absolute_even_for_a_plan_named_relatively(tmp_path, monkeypatch):
    expected = write(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert locate(NAME, plan=Path("plan.yaml"), environment={}) == expected


def test_a_plan_typed_by_a_person_is_found_from_the_current_folder(tmp_path, monkeypatch):
    expected = write(tmp_path, "my/plan.yaml")
    monkeypatch.chdir(tmp_path)
    assert locate("my/plan.yaml", environment={}) == expected


def test_files_named_in_a_plan_are_not_looked_for_in_the_current_folder(tmp_path, monkeypatch):
    write(tmp_path / "elsewhere")
    monkeypatch.chdir(tmp_path / "elsewhere")
    with pytest.raises(ConfigurationError):
        find(tmp_path)


def test_what_is_nowhere_is_one_problem_that_names_every_folder_searched(tmp_path, places):
    write(places["prefix"], "other.yaml")
    with pytest.raises(ConfigurationError) as caught:
        find(tmp_path)
    (problem,) = caught.value.problems
    assert problem.file == tmp_path / "lab/plan.yaml"
    assert problem.value == NAME
    for place in ("plan", "first", "second", "prefix"):
        assert str(places[place]) in problem.allowed


def test_a_missing_absolute_path_names_no_folder(tmp_path, places):
    with pytest.raises(ConfigurationError, match=r"allowed: a file that exists$"):
        find(tmp_path, str(tmp_path / "gone.yaml"))
