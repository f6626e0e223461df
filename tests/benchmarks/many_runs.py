"""What lists, runs and the overview take on a logbook of 100,000 runs, in SQLite and PostgreSQL.

`python -m tests.benchmarks.many_runs [--runs N] [--postgres URL]`; the URL is of a database that may be filled, and
gets a schema of its own. Half of the runs are on one bench, the others on fifty; every run has a trace. Rows are
written straight into the tables, from a seed: importing them takes an hour.
"""

from __future__ import annotations
