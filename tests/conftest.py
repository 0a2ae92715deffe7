"""One thread and no second process for each process of the tests: read when numpy is first imported, or later."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["SALTMILE_PROCESSES"] = "1"
