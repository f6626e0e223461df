"""Judges; run as programs they use one thread of linear algebra a process, since they run side by side."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
