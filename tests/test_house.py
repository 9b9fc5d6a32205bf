"""Rules of the house that a reader cannot see file by file: who imports whom, what is committed."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parents[1]
PACKAGE = HERE / "pipeline"

# The rooms in the order of the flow: each imports from itself and from those before it alone.
ORDER = (
    "errors", "tables", "team", "read", "store", "runs", "models", "checking", "plan", "decide",
    "simulate", "report", "public", "day", "cli",
)  # fmt: skip
# place -> what it may not import besides. A name stands for itself and all below it.
FORBIDDEN = {
    "pipeline.team": ["numpy", "pyarrow"],
    "pipeline.simulate": ["pipeline.models", "pipeline.runs", "statsmodels"],
    "pipeline.report": ["pipeline.read", "scipy", "statsmodels"],
    "pipeline.cli": ["numpy", "scipy", "statsmodels"],
}
# The engines: numpy, scipy and their own parts alone.
ENGINE = [f"pipeline.models.engine.{path.stem}" for path in PACKAGE.glob("models/engine/[a-z]*.py")]
PARTS = ("counts", "counts_family", "counts_interval", "counts_laplace", "counts_mode")
PARTS += ("counts_optimise", "counts_columns", "counts_limits", "counts_rows")
SOLVER = [*sorted(ENGINE), *(f"pipeline.models.{part}" for part in PARTS)]
SOLVER_MAY = {"numpy", "scipy", *sys.stdlib_module_names}
HEAVY = ("pandas", "scipy", "statsmodels", "plotnine", "pyarrow", "matplotlib")


def modules() -> dict[str, Path]:
    """Name -> file of every module of the package."""
    files = (path.relative_to(HERE) for path in PACKAGE.rglob("*.py"))
    return {".".join(f.with_suffix("").parts).removesuffix(".__init__"): HERE / f for f in files}


def imports(path: Path) -> Iterator[str]:
    """Absolute names that a file imports, those in functions too, those for types alone not."""
    tree = ast.parse(path.read_text("utf-8"))
    for_types = [
        n for n in ast.walk(tree) if isinstance(n, ast.If) and "TYPE_CHECKING" in ast.dump(n.test)
    ]
    skipped = {id(node) for block in for_types for node in ast.walk(block)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def is_in(name: str, place: str) -> bool:
    return name == place or name.startswith(place + ".")


@pytest.mark.parametrize("room", ORDER)
def test_imports_run_down_the_flow(room: str) -> None:
    later = [f"pipeline.{name}" for name in ORDER[ORDER.index(room) + 1 :]]
    wrong = [
        f"{module} imports {name}"
        for module, path in modules().items()
        if is_in(module, f"pipeline.{room}")
        for name in imports(path)
        if any(is_in(name, place) for place in later)
    ]
    assert wrong == []


def test_every_room_has_its_place() -> None:
    rooms = {module.split(".")[1] for module in modules() if "." in module}
    assert rooms - {"__main__"} == set(ORDER)


@pytest.mark.parametrize("place", FORBIDDEN)
def test_rooms_leave_these_alone(place: str) -> None:
    wrong = [
        f"{module} imports {name}"
        for module, path in modules().items()
        if is_in(module, place)
        for name in imports(path)
        if any(is_in(name, other) for other in FORBIDDEN[place])
    ]
    assert wrong == []


@pytest.mark.parametrize("module", SOLVER)
def test_the_engines_need_numpy_and_scipy_alone(module: str) -> None:
    found = list(imports(modules()[module]))
    strange = [n for n in found if n.split(".")[0] not in SOLVER_MAY and not in_solver(n)]
    assert strange == []


def in_solver(name: str) -> bool:
    return any(is_in(name, part) for part in SOLVER)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom pipeline.cli import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit as stop:\n    assert not stop.code\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=HERE)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "[]"


def committed() -> list[Path]:
    """Files under version control; without it (a source archive) there is nothing to look at."""
    if shutil.which("git") is None or not (HERE / ".git").exists():
        pytest.skip("not a checkout")
    done = subprocess.run(
        ["git", "ls-files", "-z"], capture_output=True, text=True, cwd=HERE, check=True
    )
    return [HERE / name for name in done.stdout.split("\0") if name and (HERE / name).is_file()]


# Written apart, so that this file does not hold what it looks for.
REGISTRY_HOST = r"(pypi|pythonhosted|npmjs|registry\.npm)\." + r"(org|com)|deb\." + r"debian\.org"
MACHINE_PATH = r"(?<![\w.])/(home|Users|root|opt|work|tmp)" + r"/\w"


def test_nothing_committed_names_a_registry_or_a_machine() -> None:
    pattern = re.compile(f"{REGISTRY_HOST}|{MACHINE_PATH}".encode())
    found = [
        f"{path.relative_to(HERE)}: {match.group().decode()}"
        for path in committed()
        for match in [pattern.search(path.read_bytes())]
        if match and path.suffix not in {".png", ".parquet"}
    ]
    assert found == []


def test_the_top_of_the_house_is_tidy() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "LICENSE.txt"}
    allowed |= {"pipeline", "tests", "data_demo", "reports"}
    top = {path.relative_to(HERE).parts[0] for path in committed()}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_readme_lists_every_command() -> None:
    from pipeline.cli import VERBS

    readme = HERE / "README.md"
    if not readme.exists():
        pytest.skip("no README yet")
    listed = set(re.findall(r"^\|\s*`(?:backtoback )?([a-z]+)", readme.read_text("utf-8"), re.M))
    assert listed >= set(VERBS)
