"""The rule that the spectrum of FM noise is integrated by."""

from __future__ import annotations

import numpy as np

from sim.radio import fm_noise


def test_the_rule_is_gauss_s() -> None:
    """Outside the project: numpy's Gauss-Legendre rule of 12 points, bit for bit, so that kept traces stay as they are."""
    nodes, weights = np.polynomial.legendre.leggauss(12)
    assert fm_noise._NODES.tolist() == nodes.tolist()
    assert fm_noise._WEIGHTS.tolist() == weights.tolist()
