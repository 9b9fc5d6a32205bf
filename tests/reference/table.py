"""Writes the table of checks in README.md from values.json: python -m tests.reference.table"""

from __future__ import annotations

from pathlib import Path

from tests.reference import published

README = Path(__file__).with_name("README.md")
START = "<!-- made by python -m tests.reference.table -->"


def row(name: str) -> str:
    check = published.check(name)
    printed = check.get("published", {})
    source = printed.get("source", "no printed value; computed only")
    standing = printed.get("status", "computed")
    cells = (
        f"`{name}`",
        check["dataset"],
        check["model"],
        source,
        standing,
        check.get("second_route", "one route"),
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def table() -> str:
    head = "| check | data | model | printed in | standing | second route of the computed values |"
    return "\n".join([head, "|---|---|---|---|---|---|", *map(row, published.all_checks())])


def page() -> str:
    """README.md with the table brought up to date."""
    return README.read_text("utf-8").split(START)[0] + f"{START}\n\n{table()}\n"


if __name__ == "__main__":
    README.write_text(page(), "utf-8")
