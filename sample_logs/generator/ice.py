"""Pieces of ice as concentric shells: conduction inside, a surface that moves.

A size class holds many like pieces. Its shells keep fixed shares of the mass, so when the surface melts
(or water freezes on) every shell boundary moves through the ice and carries heat with it; what crosses is
booked on both sides, so mass and heat are kept to rounding.

Shapes: (shells, classes, runs). Enthalpy is zero for liquid water at 0 °C. Ice: latent heat 333.43 J/g and
heat capacity 2.097 J/(g·K) at 0 °C, 1.950 at −20 °C, density 0.9167 g/ml (IAPWS R10-06).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_logs.generator.liquid import Floats

LATENT_J_PER_G = 333.43
ICE_G_PER_M3 = 916.7e3
DIFFUSIVITY_M2_PER_S = 1.18e-6
_C0, _C1 = 2.097, 0.00735


def ice_enthalpy_j_per_g(temp_c: Floats) -> Floats:
    """Enthalpy of ice [J/g] at this temperature [°C]."""
    return -LATENT_J_PER_G + _C0 * temp_c + 0.5 * _C1 * temp_c**2


def ice_temp_c(enthalpy_j_per_g: Floats) -> Floats:
    """Temperature of ice [°C] of this enthalpy [J/g]."""
    sensible = enthalpy_j_per_g + LATENT_J_PER_G
    return 2 * sensible / (_C0 + np.sqrt(np.maximum(_C0**2 + 2 * _C1 * sensible, 0.01)))


@dataclass(frozen=True)
class ShellGrid:
    """Shells of a unit sphere and the modes in which it conducts.

    share : mass of each shell over the whole, shape (shells,), inside first
    inside : mass within each shell's outer boundary over the whole, shape (shells,)
    rate : decay rates of the modes per unit of 3αt/r², shape (shells,)
    to_modes, from_modes : shape (shells, shells)
    """

    share: Floats
    inside: Floats
    rate: Floats
    to_modes: Floats
    from_modes: Floats

    @classmethod
    def of(cls, shells: int) -> ShellGrid:
        """A grid that is finer towards the surface."""
        edge = 1 - (np.arange(shells, -1, -1) / shells) ** 1.5
        middle = 0.5 * (edge[:-1] + edge[1:])
        inside = edge[1:] ** 3
        share = np.diff(edge**3)
        link = 1 / (1 / middle - 1 / np.append(middle[1:], 1.0))
        flow = np.diag(link) + np.diag(np.append(0.0, link[:-1]))
        flow -= np.diag(link[:-1], 1) + np.diag(link[:-1], -1)
        root = np.sqrt(share)
        rate, modes = np.linalg.eigh(flow / root[:, None] / root[None, :])
        return cls(share, inside, rate, modes.T * root[None, :], modes / root[:, None])

    def conduct(self, enthalpy: Floats, radius_m: Floats, dt_s: float) -> tuple[Floats, Floats]:
        """Change of shell enthalpy in a step: with the surface held at 0 °C [J/g], and per kelvin above it.

        enthalpy (shells, classes, runs) [J/g]; radius_m (classes, runs). Exact in time for the shells, so
        stable for crumbs; linear in the surface temperature, so that the surface can be solved for.
        """
        temp = ice_temp_c(enthalpy)
        shape = temp.shape
        fourier = (3 * DIFFUSIVITY_M2_PER_S * dt_s) / radius_m**2
        spent = np.expm1(-self.rate[:, None] * fourier.ravel())
        capacity = _C0 + _C1 * temp
        at_zero = (self.from_modes @ (spent * (self.to_modes @ temp.reshape(shape[0], -1)))).reshape(shape)
        per_k = ((self.from_modes * -self.to_modes.sum(axis=1)) @ spent).reshape(shape)
        return capacity * at_zero, capacity * per_k

    def mean(self, enthalpy: Floats) -> Floats:
        """Mass mean over the shells, shape (classes, runs)."""
        return np.tensordot(self.share, enthalpy, axes=1)

    def recede(self, enthalpy: Floats, grown: Floats, melted: Floats) -> tuple[Floats, Floats]:
        """Move the surface by the share `melted` of the mass (negative: water froze on).

        grown : enthalpy of new ice [J/g], used where water freezes on, shape (classes, runs)
        melted : share of the class's mass, shape (classes, runs)

        Returns the shells' new enthalpy [J/g] and that of the ice which crossed the surface.
        """
        beyond = np.concatenate([enthalpy[1:], grown[None]])
        carried = np.where(melted > 0, enthalpy, beyond)
        crossing = self.inside[:, None, None] * carried * melted
        out = np.diff(crossing, axis=0, prepend=0.0) / self.share[:, None, None]
        return (enthalpy - out) / (1 - melted), carried[-1]
