"""Where compiled kernels are kept, and that importing the package costs next to nothing."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from testbed import kernels


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """A small package: a kernel that uses a constant from another file, and files that no kernel sees."""
    files = {
        "model/plant.py": "from testbed.description import gravity\n\n@njit\ndef step():\n    return gravity.G\n",
        "description/__init__.py": "",
        "description/gravity.py": "from testbed.description.units import (\n    METRE,\n    SECOND,\n)\n\nG = 9.81\n",
        "description/units.py": "METRE = SECOND = 1.0\n",
        "plan/check.py": "from testbed.model.plant import step\n",
        "rehearsal/summary.py": "import json\n",
    }
    for name, text in files.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return tmp_path


def test_kernel_sources_are_kernels_and_all_that_they_import(package):
    assert sorted(kernels.kernel_sources(package)) == [
        "description/__init__.py",
        "description/gravity.py",
        "description/units.py",
        "model/plant.py",
    ]


def test_no_kernel_sees_how_formations_are_planned_nor_how_a_plan_is_read():
    """So that they can be edited without compiling every kernel anew."""
    cold = [name for name in kernels.kernel_sources(kernels.PACKAGE) if name.startswith(("flight/formation/", "plan/"))]
    assert sorted(cold) == ["plan/stirs.py", "plan/track.py"]


@pytest.mark.parametrize("changed", ["model/plant.py", "description/gravity.py", "description/units.py"])
def test_kernels_move_to_another_folder_when_a_file_they_see_changes(package, monkeypatch, changed):
    monkeypatch.setattr(kernels, "PACKAGE", package)
    before = kernels.cache_directory.__wrapped__()
    with (package / changed).open("a") as file:
        file.write("# edited\n")
    assert kernels.cache_directory.__wrapped__() != before


@pytest.mark.parametrize("changed", ["plan/check.py", "rehearsal/summary.py"])
def test_kernels_stay_where_they_are_when_another_file_changes(package, monkeypatch, changed):
    monkeypatch.setattr(kernels, "PACKAGE", package)
    before = kernels.cache_directory.__wrapped__()
    (package / changed).write_text("import math\n")
    assert kernels.cache_directory.__wrapped__() == before


def test_kernels_of_another_checkout_are_kept_apart(package, monkeypatch, tmp_path_factory):
    monkeypatch.setattr(kernels, "PACKAGE", package)
    before = kernels.cache_directory.__wrapped__()
    copy = shutil.copytree(package, tmp_path_factory.mktemp("copy") / "testbed")
    monkeypatch.setattr(kernels, "PACKAGE", copy)
    assert kernels.cache_directory.__wrapped__() != before


@pytest.mark.parametrize("fact", ["installed_versions", "processor"])
def test_kernels_move_when_libraries_or_processor_change(monkeypatch, fact):
    before = kernels.cache_directory.__wrapped__()
    monkeypatch.setattr(kernels, fact, lambda *_: "another")
    assert kernels.cache_directory.__wrapped__() != before


def test_installed_versions_are_those_of_the_installed_libraries():
    from importlib.metadata import version

    assert kernels.installed_versions("numba", "numpy") == [
        f"numba-{version('numba')}.dist-info",
        f"numpy-{version('numpy')}.dist-info",
    ]


def test_numba_really_keeps_its_cache_there_and_works_in_one_thread(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import testbed\nfrom numba import njit, config\n\n"
        "@njit(cache=True)\ndef twice(x):\n    return 2 * x\n\n"
        "twice(1)\nprint(config.NUMBA_NUM_THREADS)\n"
    )
    environment = os.environ | {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    done = subprocess.run([sys.executable, script], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "1\n"
    (folder,) = (tmp_path / "cache/testbed/kernels").iterdir()
    assert list(folder.rglob("script.twice-*.nbc"))


@pytest.mark.parametrize("home", [True, False], ids=["home", "neither home nor password entry"])
def test_without_xdg_cache_home_the_cache_is_in_the_home_folder(monkeypatch, tmp_path, home):
    def no_home() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", (lambda: tmp_path) if home else no_home)
    expected = tmp_path / ".cache/testbed" if home else Path(f"/tmp/testbed-{os.getuid()}")
    assert kernels.user_cache() == expected


def test_importing_the_package_loads_nothing_slow():
    """Every process of a rehearsal starts there: no library outside Python's own, and no metadata (25 ms)."""
    code = "import sys; before = set(sys.modules); import testbed; print(*sorted(set(sys.modules) - before))"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    tops = {name.partition(".")[0] for name in found}
    assert tops - {"testbed"} <= set(sys.stdlib_module_names)
    assert not {"importlib.metadata", "email", "zipfile", "asyncio", "typing_extensions"} & set(found)
    assert len(found) < 60, found
