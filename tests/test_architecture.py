"""The house stands as it is drawn: rooms in order, files and functions of readable size, nothing heavy at the door."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "sensorhealth"
ROOMS = ["records", "health", "degradation", "life", "compare", "decide", "evaluate", "present"]
EVERYWHERE = {"errors", "threads", "second_core", "nomenclature", "technologies"}
SOURCES = sorted(PACKAGE.rglob("*.py"))


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imports(path: Path) -> list[tuple[str, bool]]:
    """Rooms of the package that a file imports, and whether at module level."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    parts = ("sensorhealth", *path.relative_to(PACKAGE).with_suffix("").parts)
    top_level = {id(node) for node in tree.body}
    found: list[tuple[str, bool]] = []
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.ImportFrom):
            base = parts[: len(parts) - node.level] if node.level else ()
            module = ".".join([*base, *(node.module or "").split(".")]).strip(".") if node.level else node.module or ""
            names = [module] if module != "sensorhealth" else [f"sensorhealth.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found += [(name.split(".")[1], id(node) in top_level) for name in names if name.startswith("sensorhealth.")]
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_before_it(path: Path) -> None:
    room = _room(path)
    if room not in ROOMS:
        return
    allowed = set(ROOMS[: ROOMS.index(room) + 1]) | EVERYWHERE
    for imported, at_top in _imports(path):
        if (room == "evaluate" or path.name == "notebooks.py") and imported in {"analysis", "outlook"} and not at_top:
            continue  # a back-test and the notebooks walk the whole way again
        assert imported in allowed, f"{path.name} in {room} imports {imported}"


def test_synthetic_fleets_know_nothing_of_the_analysis() -> None:
    for path in (PACKAGE / "synthetic").rglob("*.py"):
        for imported, _ in _imports(path):
            assert imported in EVERYWHERE | {"synthetic", "records"}, f"{path.name} imports {imported}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_files_and_functions_fit_a_reader(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= 330, f"{path.name} has {text.count(chr(10))} lines"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            assert length <= 75, f"{path.name}: {node.name} has {length} lines"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_public_names_are_explained(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if path.name != "__init__.py" or tree.body:
        assert ast.get_docstring(tree) or not tree.body, f"{path.name} has no docstring"
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{path.name}: {node.name} has no docstring"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_print_no_pickle_no_eval_no_global_randomness(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            assert name not in {"eval", "exec", "pickle.load", "pickle.loads", "pd.read_pickle"}, f"{path.name}: {name}"
            assert name != "print" or path.name == "cli.py", f"{path.name} prints"
            assert not name.startswith(("np.random.rand", "np.random.seed", "np.random.normal")), f"{path.name}: {name}"


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ["matplotlib", "statsmodels", "sklearn", "scipy", "pandas", "openpyxl", "pyarrow"]
    code = f"import sys, sensorhealth; print([name for name in {heavy} if name in sys.modules])"
    output = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert output.strip() == "[]"
