"""One thread of linear algebra a worker, since tests run side by side already; no test is timed."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
