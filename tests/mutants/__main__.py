"""Which slips in the rules no test finds.

`python -m tests.mutants` makes every slip of `slips` in every module of RULES, one at a time, and
runs the tests that pin the module. What no test found must stand in survivors.csv with a reason;
status 1 where one does not, or where over 5 % have none. `--only PART` takes the modules with that
part in their names, `--list` only counts.
"""

from __future__ import annotations

import argparse
import csv
import importlib.abc
import importlib.util
import os
import resource
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from types import CodeType, ModuleType

import pytest

from tests.mutants.slips import Mutant, mutants

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
TABLE = HERE / "survivors.csv"
COLUMNS = ["module", "place", "before", "after", "number", "reason"]
SECONDS = 120  # of processor time: a slip that runs for ever is found
# Module of a rule -> the tests that pin it.
RULES = {
    "pipeline.tables.outcomes": ["tests/rules/test_outcomes.py"],
    "pipeline.tables.conditions": ["tests/rules/test_outcomes.py"],
    "pipeline.models.verdicts": ["tests/rules/test_verdicts.py"],
    "pipeline.models.families": ["tests/rules/test_families.py"],
    "pipeline.models.identify": ["tests/rules/test_identify.py"],
    "pipeline.models.engine.inference": [
        "tests/rules/test_floors.py", "tests/reference/test_solver_mixed.py",
        "tests/models/test_solver_inference.py",
    ],
    "pipeline.models.counts_interval": [
        "tests/rules/test_floors.py", "tests/models/test_counts_interval.py",
    ],
    "pipeline.read.status": ["tests/rules/test_status.py"],
    "pipeline.runs.setup_conflicts": ["tests/rules/test_log.py"],
    "pipeline.runs.logbook_places": ["tests/rules/test_log.py"],
    "pipeline.report.privacy": ["tests/rules/test_privacy.py"],
}  # fmt: skip


class _Swapped(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module another source."""

    def __init__(self, name: str, code: CodeType) -> None:
        self.name, self.code = name, code

    def find_spec(self, name: str, path: object, target: object = None) -> object:
        return importlib.util.spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


def is_found(mutant: Mutant, tests: Sequence[str]) -> bool:
    """Whether a test fails with the slip; in a process of its own."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
            code = compile(mutant.source, "slip", "exec")
            sys.meta_path.insert(0, _Swapped(mutant.module, code))
            status = _tested(tests)
        finally:
            os._exit(status)
    return os.waitpid(child, 0)[1] != 0


def _tested(tests: Sequence[str]) -> int:
    with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
        return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--assert=plain", *tests]))


def fails_as_it_is(tests: Sequence[str]) -> bool:
    """Run the tests once without a slip: all libraries are loaded before the processes part."""
    status = _tested(tests)
    for name in [name for name in sys.modules if name.split(".")[0] in ("pipeline", "tests")]:
        if not name.startswith("tests.mutants"):
            del sys.modules[name]
    return status != 0


def reasons() -> dict[tuple[str, ...], str]:
    if not TABLE.exists():
        return {}
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {tuple(row[c] for c in COLUMNS[:-1]): row["reason"] for row in csv.DictReader(file)}


def source_of(module: str) -> str:
    return ROOT.joinpath(*module.split(".")).with_suffix(".py").read_text("utf-8")


def chosen(part: str) -> Iterator[tuple[Mutant, list[str]]]:
    for module, tests in RULES.items():
        if part in module:
            for mutant in mutants(module, source_of(module)):
                yield mutant, tests


def write(rows: dict[tuple[str, ...], str]) -> None:
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(COLUMNS)
        out.writerows([*key, reason] for key, reason in sorted(rows.items()))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", metavar="PART")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    known, every = reasons(), list(chosen(options.only))
    print(f"{len(every)} slips in {len({m.module for m, _ in every})} modules")
    if options.list:
        return 0
    for module, tests in RULES.items():
        if options.only in module and fails_as_it_is(tests):
            print(f"{module}: its tests fail as it is")
            return 1
    began, survived = time.monotonic(), {}
    for done, (mutant, tests) in enumerate(every, 1):
        if not is_found(mutant, tests):
            survived[mutant.key] = known.get(mutant.key, "")
            print(f"{done}: {mutant.module} {mutant.place}: {mutant.before} → {mutant.after}"
                  f" ({mutant.number}) {known.get(mutant.key, '')}", flush=True)  # fmt: skip
    other = {key: why for key, why in known.items() if options.only not in key[0]}
    write(other | survived if options.only else survived)
    without = sum(not why for why in survived.values())
    print(f"{len(survived)} of {len(every)} survived, {without} of them without a reason, "
          f"in {time.monotonic() - began:.0f} s")  # fmt: skip
    return int(without > 0.05 * len(every))


if __name__ == "__main__":
    sys.exit(main())
