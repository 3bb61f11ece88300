"""Colours part for the common kinds of colour blindness and in grey.

Simulation: Machado, Oliveira, Fernandes 2009, "A physiologically-based model for simulation of color vision
deficiency", IEEE TVCG 15(6), severity 1.0, matrices for linear RGB. Difference: CIE 1976 L*a*b* (D65), where
about 2.3 is just noticeable (Mahy et al. 1994). Both sources from memory. Contrast: WCAG 2.1, relative luminance.
"""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from pipeline.campaign.settings import BARE, UNLOGGED, Boat
from pipeline.reporting.palette import FILL_SHARE, INKS, mixed, names_of_sets, palette_for

MATRICES = {
    "ordinary": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.95047, 1.0, 1.08883])


def linear(colour: str) -> np.ndarray:
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    t = TO_XYZ @ np.clip(rgb, 0.0, 1.0) / WHITE
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", list(MATRICES))
def test_inks_and_fills_part_for_every_sight(sight: str) -> None:
    def least(colours: list[str]) -> float:
        seen = [lab(MATRICES[sight] @ linear(c)) for c in colours]
        return min(float(np.linalg.norm(a - b)) for a, b in combinations(seen, 2))

    assert least(list(INKS)) > 20.0  # eight times just noticeable
    assert least([mixed(c, FILL_SHARE) for c in INKS]) > 10.0  # paler, and the areas carry their names


def test_neighbours_in_the_list_part_in_grey() -> None:
    light = [lab(linear(c))[0] for c in INKS]
    assert min(abs(a - b) for a, b in pairwise(light)) > 10.0


def test_names_written_on_fills_and_lines_on_paper_have_enough_contrast() -> None:
    def contrast(a: str, b: str) -> float:
        low, high = sorted(float(TO_XYZ[1] @ linear(c)) for c in (a, b))
        return (high + 0.05) / (low + 0.05)

    for ink in INKS:
        assert contrast("#1c2328", mixed(ink, FILL_SHARE)) > 4.5  # WCAG 2.1, 1.4.3
        assert contrast(ink, "#ffffff") > 3.0  # WCAG 2.1, 1.4.11
        assert contrast(ink, "#fcfbf8") > 3.0  # on the pages' paper
    for style in palette_for(str(k) for k in range(len(INKS))).styles:
        assert contrast(style.text, "#ffffff") > 4.5  # names at the curves


def test_a_set_keeps_its_colour_whatever_else_was_sailed(boat: Boat) -> None:
    names = names_of_sets(boat, {}, None)
    assert names == ()
    styles = palette_for(["J1", "J2", UNLOGGED, "G1", BARE])
    assert [s.ink for s in styles.styles if s.name in ("J1", "J2", "G1")] == list(INKS[:3])
    assert styles.of(UNLOGGED).ink not in INKS
    assert styles.of("never heard of").name == "never heard of"
