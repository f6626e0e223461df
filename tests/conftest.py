"""One thread of linear algebra a worker: tests run side by side already, and more threads only get in their way."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
