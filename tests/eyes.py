"""How colours look to eyes with three kinds of cones and with two.

Simulations: Machado, Oliveira & Fernandes, IEEE Trans. Visualization and Computer Graphics 15 (2009) 1291, severity 1,
matrices on linear sRGB, from memory. sRGB: IEC 61966-2-1.
"""

from __future__ import annotations

import numpy as np

from rig.arrays import FloatArray

SEEN = {
    "all cones": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def linear(colour: str) -> FloatArray:
    """Linear sRGB, (3,), of a colour written as #rrggbb."""
    coded = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def contrast(ink: FloatArray, paper: FloatArray) -> float:
    """Contrast ratio of two colours in linear sRGB: WCAG 2.2, relative luminance and contrast ratio."""
    light, dark = sorted((float(_LUMINANCE @ np.clip(c, 0.0, 1.0)) for c in (ink, paper)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
