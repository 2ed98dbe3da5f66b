"""The house as DEVELOPERS.md lists it: each folder is there, and imports only from those listed above it."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
HOST = ROOT / "host" / "skidwright"


def order() -> list[str]:
    """The host's folders and single modules, lowest first, from the list in DEVELOPERS.md."""
    listed = re.search(
        r"^host/skidwright/ .*\n((?:  .*\n)+)", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.M
    )
    assert listed
    return [line.split()[0].removesuffix("/").removesuffix(".py") for line in listed.group(1).splitlines()]


def imported(path: Path) -> set[str]:
    """Which folders or single modules of skidwright a file imports, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module == "skidwright":
            found |= {name.name for name in node.names if not name.name.startswith("__")}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("skidwright."):
            found.add((node.module or "").split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {name.name.split(".")[1] for name in node.names if name.name.startswith("skidwright.")}
    return found


def test_every_folder_is_listed_once() -> None:
    there = {path.name for path in HOST.iterdir() if path.is_dir() and any(path.glob("*.*"))}
    there |= {path.stem for path in HOST.glob("*.py")} - {"__init__"}
    listed = order()
    assert sorted(listed) == sorted(there - {"__pycache__"})


def test_a_lower_layer_never_imports_a_higher_one() -> None:
    ranks = {name: rank for rank, name in enumerate(order())}
    files, wrong = 0, []
    for path in HOST.rglob("*.py"):
        mine = path.relative_to(HOST).parts[0].removesuffix(".py")
        if mine == "__init__":
            continue
        files += 1
        wrong += [
            f"{path.relative_to(HOST)} imports {name}"
            for name in imported(path)
            if name != mine and ranks[name] > ranks[mine]
        ]
    assert files > 100
    assert not wrong, wrong


def test_the_firmware_imports_nothing_of_the_host() -> None:
    for path in (ROOT / "firmware").rglob("*.py"):
        assert not imported(path), path
