"""Where plain numbers come to rest, for tests that state a charge in one line."""

from typing import Any

from rig.physics.balance import Charge, SteadyState, settle


def steady_state(*terms: Any, mixing_scale: float = 1.0, **named: Any) -> SteadyState:
    """The steady state of `Charge.of` the same arguments."""
    return settle(Charge.of(*terms, mixing_scale=mixing_scale, **named))
