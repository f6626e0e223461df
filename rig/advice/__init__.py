"""From a fit to a call, a comparison and what to do next."""

from rig.advice.call import Advice, advise

__all__ = ["Advice", "advise"]
