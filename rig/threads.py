"""One thread of linear algebra a process: the matrices here are small, and more threads wait longer than they work."""

import os

_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def keep_to_one_thread() -> None:
    """Say so to whichever library NumPy brings, before it loads; who set a number keeps it."""
    for variable in _VARIABLES:
        os.environ.setdefault(variable, "1")
