"""`python -m tests.benchmarks`: measure, print the table, write it to RESULTS.md."""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import sys
from importlib.metadata import version
from pathlib import Path

from tests.benchmarks.timing import THREADS

RESULTS = Path(__file__).with_name("RESULTS.md")
PARTS = ("fit", "season", "kept", "imports", "start", "frames", "scale", "growth")
STORES = (40, 400)  # meetings: 1 and 10 million laps


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--threads", default="1", help="threads of the linear algebra [1]")
    parser.add_argument("--without-r", action="store_true", help="leave lme4 and mgcv out")
    parser.add_argument("--large", action="store_true", help="stream 100 million laps too")
    parser.add_argument("--only", nargs="+", choices=PARTS)
    options = parser.parse_args()
    os.environ.update(dict.fromkeys(THREADS, options.threads))  # before numpy loads
    from tests.benchmarks import fit, whole

    with_r = shutil.which("Rscript") is not None and not options.without_r
    parts = {
        "fit": lambda: fit.lines(with_r),
        "season": whole.season_lines,
        "kept": whole.kept_lines,
        "imports": whole.import_lines,
        "start": whole.start_lines,
        "frames": whole.frames_lines,
        "scale": lambda: whole.scale_lines(STORES + (4_000,) * options.large),
        "growth": whole.growth_lines,
    }
    found = []
    for name in options.only or parts:
        for line in parts[name]():
            print(f"{line.what}: {line.ours_s:.3g}, ratio {line.ratio:.3g}", file=sys.stderr)
            found.append(line)
    text = page(found, options.threads)
    print(text)
    if not options.only:
        RESULTS.write_text(text + "\n", encoding="utf-8")


def page(lines: list, threads: str) -> str:
    """The results as a markdown page."""
    busy = round(os.getloadavg()[2], 1)
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "pyarrow"))
    head = [
        "# Benchmarks",
        "",
        f"`python -m tests.benchmarks --threads {threads}` (Python {platform.python_version()}, "
        f"{libraries}; {os.cpu_count()} cores, {busy} processes ready to run: more than the cores "
        "is a busy machine). The ratio is ours over the reference, measured in the same run. The "
        "fit: wall time, medians of five in turn, R and MixedLM once. All else: processor time of "
        "a process of its own, which for one thread is an idle machine's wall time; lines that say "
        "so are wall time. A line that names a memory is in GB. What the figures mean stands in "
        "GROWTH.md.",
        "",
        "| what | ours, s | reference | reference, s | ratio | our aim |",
        "|---|---:|---|---:|---:|---|",
    ]
    rows = [
        f"| {line.what} | {line.ours_s:.3g} | {line.reference} | {line.reference_s:.3g} "
        f"| {line.ratio:.3g} | {line.aim} |"
        for line in lines
    ]
    return "\n".join(head + rows)


if __name__ == "__main__":
    main()
