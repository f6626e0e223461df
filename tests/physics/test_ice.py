"""Pieces of ice: mass, surface and how fast their cores warm."""

import numpy as np
import pytest

from rig.bench import IceShape
from rig.errors import ModelRangeError
from rig.physics import ice

SHAPES = list(IceShape)


def test_an_ounce_cube_measures_about_an_inch_and_a_quarter():
    # 32 mm cube: 32.768 cm³ × 0.917; five of them have 0.031 m² of surface
    assert ice.piece_mass_g(IceShape.CUBE, 32.0) == pytest.approx(30.04, abs=0.01)
    assert ice.area_m2(IceShape.CUBE, 32.0, 5 * 30.04) == pytest.approx(0.0307, abs=1e-4)


def test_a_ball_has_the_surface_of_a_ball():
    mass_g = ice.piece_mass_g(IceShape.SPHERE, 60.0)
    assert mass_g == pytest.approx(4 / 3 * np.pi * 3.0**3 * 0.9167, rel=1e-3)
    assert ice.area_m2(IceShape.SPHERE, 60.0, mass_g) == pytest.approx(np.pi * 0.06**2)


@pytest.mark.parametrize("shape", SHAPES)
def test_surface_grows_with_mass_and_shrinks_with_size(shape):
    edge_mm = ice.default_edge_mm(shape)
    one, two = (ice.area_m2(shape, edge_mm, mass_g) for mass_g in (100.0, 200.0))
    assert two == pytest.approx(2 * one)
    assert ice.area_m2(shape, edge_mm / 2, 100.0) == pytest.approx(2 * one)


@pytest.mark.parametrize("shape", SHAPES)
def test_no_shape_has_less_surface_than_a_ball_of_its_volume(shape):
    edge_mm = ice.default_edge_mm(shape)
    volume_m3 = ice.piece_mass_g(shape, edge_mm) / ice.density_g_per_cm3(0.0) * 1e-6
    ball_m2 = np.pi ** (1 / 3) * (6 * volume_m3) ** (2 / 3)
    assert ice.area_m2(shape, edge_mm, ice.piece_mass_g(shape, edge_mm)) >= ball_m2 * (1 - 1e-9)


def slowest_mode_s(radius_m: float) -> float:
    """Slowest time constant of a ball whose surface is held, by finite differences."""
    diffusivity = 2.22 / (916.7 * 2060.0)
    shells = 80
    edges = np.linspace(0, radius_m, shells + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    volume = (edges[1:] ** 3 - edges[:-1] ** 3) / 3
    reach = np.append(np.diff(middle), radius_m - middle[-1])
    flow = diffusivity * edges[1:] ** 2 / reach
    matrix = np.diag(-(flow + np.append(0, flow[:-1])) / volume)
    matrix += np.diag(flow[:-1] / volume[:-1], 1) + np.diag(flow[:-1] / volume[1:], -1)
    return -1.0 / np.linalg.eigvals(matrix).real.max()


def test_the_core_of_a_ball_warms_as_conduction_says():
    mass_g, edge_mm = 50.0, 30.0
    conductance = ice.core_conductance_w_per_k(IceShape.SPHERE, edge_mm, mass_g)
    lumped_s = mass_g * ice.heat_capacity_j_per_gk(-5.0) / conductance
    # 3 %: the conductivity is a little above 2.22 W/(m·K) at −5 °C
    assert lumped_s == pytest.approx(slowest_mode_s(0.015), rel=0.03)


def test_the_core_of_a_30_mm_cube_lags_by_about_20_s():
    # (15 mm)² ÷ (π² · 1.16e−6 m²/s) = 19.6 s
    lag_s = 100.0 * 2.06 / ice.core_conductance_w_per_k(IceShape.CUBE, 30.0, 100.0)
    assert lag_s == pytest.approx(19.6, rel=0.05)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_has_a_usual_size_and_wetness(shape):
    wetness = ice.surface_water(shape)
    # US EPA, WaterSense at Work (2012): flake ice holds up to 20 % of liquid water
    assert 0 < wetness.fraction <= 0.20
    assert 0 < wetness.log_sd < 1
    assert 1 < ice.default_edge_mm(shape) < 100


def test_finer_ice_is_wetter():
    order = [IceShape.SPHERE, IceShape.CUBE, IceShape.CRACKED, IceShape.PEBBLE, IceShape.CRUSHED]
    fractions = [ice.surface_water(shape).fraction for shape in order]
    assert fractions == sorted(fractions)


@pytest.mark.parametrize("edge_mm", [0.0, -3.0, 1000.0])
def test_an_impossible_piece_is_refused(edge_mm):
    with pytest.raises(ModelRangeError, match="edge of an ice piece"):
        ice.area_m2(IceShape.CUBE, edge_mm, 100.0)
