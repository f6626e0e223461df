"""What a fit follows from besides the runs: the sources of everything it is worked out by."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

ROOMS = ("fitting", "physics")
MODULES = ("arrays", "bench", "brewing", "errors", "names", "population", "recipe", "runs", "target", "units")


@cache
def model_version() -> str:
    """A digest of the model's own sources, priors included: a fit kept by other sources is not taken."""
    rig = files("rig")
    sources: list[Traversable] = [rig / f"{name}.py" for name in MODULES]
    for room in ROOMS:
        sources += sorted((f for f in (rig / room).iterdir() if f.name.endswith(".py")), key=lambda f: f.name)
    digest = hashlib.sha256()
    for source in sources:
        digest.update(source.name.encode())
        digest.update(source.read_bytes())
    return digest.hexdigest()
