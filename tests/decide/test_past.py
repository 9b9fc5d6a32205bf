"""Earlier seasons' coefficients in a choice, against joint normals worked out directly."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.decide.evidence import Evidence, Key
from pipeline.decide.past import _given, coefficients_of, with_past
from pipeline.models.axis import GRADIENT
from pipeline.models.contrasts import Contrast
from pipeline.models.earlier import Coefficients

KEYS = (Key("bar", "1.4", ""), Key("bar", "1.4", GRADIENT), Key("height", "+0.2", ""))


def line(scale: float, step: float = 0.2) -> Contrast:
    none = np.zeros(1)
    flags = np.zeros(1, bool)
    return Contrast("height", f"+{step}", "5", "number", none, flags, flags, flags, scale, step)


def evidence(seed: int, keys: tuple[Key, ...] = KEYS) -> Evidence:
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.03, (len(keys), len(keys)))
    df = np.full(len(keys), 12.0)
    estimate = rng.normal(0, 0.05, len(keys))
    return Evidence(keys, estimate, root @ root.T + 1e-4 * np.eye(len(keys)), df, 0.03, 0.0, 0.08)


def test_given_tau_it_is_the_joint_normal() -> None:
    own, others, tau2 = evidence(1), [evidence(2), evidence(3)], 0.04**2
    places = np.arange(3)
    said = [(places, one.estimate, one.covariance, one.df) for one in others]
    mean, cov = _given(own, said, tau2)
    # x_t = b + s_t with b flat: all estimates as one long normal vector, b given a huge variance.
    wide, eye = 1e4, np.eye(3)
    G = wide * np.kron(np.ones((3, 3)), eye) + tau2 * np.eye(9)
    V = G.copy()
    for n, one in enumerate([own, *others]):
        V[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += one.covariance
    y = np.concatenate([one.estimate for one in [own, *others]])
    gain = np.linalg.solve(V, G[:, :3]).T
    np.testing.assert_allclose(mean, gain @ y, atol=1e-6)
    np.testing.assert_allclose(cov, (G - G @ np.linalg.solve(V, G))[:3, :3], atol=2e-6)


def test_a_number_keeps_its_meaning_where_its_usual_change_is_another() -> None:
    then, now = [line(0.4)], [line(0.8, 0.4)]
    said = coefficients_of(evidence(2), then)
    keys = (*KEYS[:2], Key("height", "+0.4", ""))
    own = evidence(1, keys)
    found = with_past(own, [said], now)
    twice = Coefficients(
        said.keys, (1.0, 1.0, 0.8), said.estimate * [1, 1, 2],
        said.covariance * np.outer([1, 1, 2], [1, 1, 2]), said.df, has_meetings=True,
    )  # fmt: skip
    again = with_past(own, [twice], now)
    np.testing.assert_allclose(found.estimate, again.estimate)
    np.testing.assert_allclose(found.covariance, again.covariance)
    assert (np.diag(found.covariance) < np.diag(own.covariance)).all()


@pytest.mark.parametrize("past", [[], [coefficients_of(evidence(2, (Key("wing", "b", ""),)), [])]])
def test_without_the_same_coefficients_nothing_changes(past: list[Coefficients]) -> None:
    own = evidence(1)
    assert with_past(own, past, []) is own
