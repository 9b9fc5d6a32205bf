"""Options that share a property: what pooling them is worth, and what it costs the odd one.

    python -m tests.decide.properties --worlds 400 --write

Estimates of three two-level options of one property and of two others are drawn about their truth
with known errors (t, 20 degrees of freedom), and believed with and without the property. `follow`:
all three do what the property does, but for SD 0.005 s a lap. `odd`: one goes the other way by so
many standard errors. Gradients along grip, s a lap and step.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from pipeline.decide.belief import draws, learn_sizes
from pipeline.decide.evidence import Evidence, Key
from pipeline.decide.race import OFTEN
from pipeline.decide.shrinking import Shared, Usual

RESULTS = Path(__file__).with_name("PROPERTIES.md")
STEPS = {"bar": 1.0, "brace": -1.0, "spring": 1.0}
OTHERS = ("wing", "screws")
ERROR_S, DF, MEDIAN_S, OWN_S = 0.025, 20, 0.035, 0.005
KINDS = {"follow": None, "odd by 1": 1, "odd by 2": 2, "odd by 3": 3}
ODD = "spring"


def world(rng: np.random.Generator, away: int | None) -> dict[Key, float]:
    """True effects and gradients. away: how many standard errors the odd one goes the other way."""
    itself, along = rng.normal(0, 0.03), rng.choice([-1, 1]) * rng.uniform(0.04, 0.1)
    truth = {}
    for name, step in STEPS.items():
        key = Key(name, "b", "")
        truth[key] = step * itself + rng.normal(0, OWN_S)
        truth[key.gradient] = step * along + rng.normal(0, OWN_S)
    if away is not None:
        truth[Key(ODD, "b", "").gradient] = -np.sign(along) * STEPS[ODD] * away * ERROR_S
    for name in OTHERS:
        key = Key(name, "b", "")
        truth |= {key: rng.normal(0, 0.04), key.gradient: rng.normal(0, 0.02)}
    return truth


def seen(rng: np.random.Generator, truth: dict[Key, float]) -> Evidence:
    """Estimates about it, with the error that is thought to be theirs."""
    error = ERROR_S * np.sqrt(rng.chisquare(DF) / DF)
    values = np.array(list(truth.values()))
    return Evidence(
        keys=tuple(truth),
        estimate=values + rng.normal(0, ERROR_S, len(values)),
        covariance=error**2 * np.eye(len(values)),
        df=np.full(len(values), float(DF)),
        meeting_sd=0.0,
        driver_sd=0.0,
        run_sd=0.06,
    )


def one(seed: int, number: int, away: int | None) -> dict[str, dict[str, tuple[float, bool]]]:
    """How -> option -> half-width of its gradient's interval, and whether that holds the truth."""
    rng = np.random.default_rng([seed, number, 0 if away is None else away])
    truth = world(rng, away)
    evidence = seen(rng, truth)
    positions = {k: STEPS[k.factor] for k in truth if k.factor in STEPS}
    shared = Shared("stiffness", positions)
    units = dict.fromkeys((*truth, *shared.keys), 1.0)
    sizes = learn_sizes(evidence, Usual(MEDIAN_S, 1.0, 1.0, OFTEN), units)
    together = draws(evidence, sizes, [*positions, *shared.keys], rng, shared)
    alone = {}
    for name in STEPS:
        alone |= draws(evidence, sizes, [k for k in positions if k.factor == name], rng)
    out: dict[str, dict[str, tuple[float, bool]]] = {}
    for how, found in (("alone", alone), ("together", together)):
        out[how] = {}
        for name in STEPS:
            key = Key(name, "b", "").gradient
            low, high = np.quantile(found[key], [0.025, 0.975])
            out[how][name] = float(high - low) / 2, bool(low <= truth[key] <= high)
    return out


def study(worlds: int, seed: int) -> list[tuple[str, str, float, float, float, float]]:
    """(kind, option, half-width alone, together, coverage alone, together) of each kind."""
    rows = []
    for kind, away in KINDS.items():
        found = [one(seed, number, away) for number in range(worlds)]
        for title, names in (("those that follow", set(STEPS) - {ODD}), ("the odd one", {ODD})):
            names = set(STEPS) if away is None else names
            if away is None and title == "the odd one":
                continue
            numbers = []
            for at in (0, 1):
                for how in ("alone", "together"):
                    numbers.append(np.mean([f[how][n][at] for f in found for n in names]))
            rows.append((kind, title, *map(float, numbers)))
    return rows


def page(worlds: int, seed: int) -> str:
    head = (__doc__ or "").split("\n\n    python", maxsplit=1)
    command = f"`python -m tests.decide.properties --worlds {worlds} --seed {seed} --write`"
    text = head[1].split("\n\n", maxsplit=1)[1].strip()
    lines = ["# Options that share a property", "", command, "", text, "",
             "| kind | options | half-width together, of alone | covers alone | covers together |",
             "|---|---|---:|---:|---:|"]  # fmt: skip
    for kind, title, wide, narrow, plain, pooled in study(worlds, seed):
        n = worlds * (1 if title == "the odd one" else 3 if kind == "follow" else 2)
        errors = [100 * np.sqrt(p * (1 - p) / n) for p in (plain, pooled)]
        lines.append(
            f"| {kind} | {title} | {narrow / wide:.2f} | {100 * plain:.1f} ± {errors[0]:.1f} % "
            f"| {100 * pooled:.1f} ± {errors[1]:.1f} % |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help=f"into {RESULTS.name}")
    asked = parser.parse_args()
    text = page(asked.worlds, asked.seed)
    print(text)
    if asked.write:
        RESULTS.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
