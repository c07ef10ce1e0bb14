"""The running service: physics, scheduling, control, records, API, pages, jobs, command line."""

import os

# The matrices here are small: a numerical library's threads cost more than they give, and on a
# small home computer they take its cores from everybody else. Read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
