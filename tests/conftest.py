"""One thread for each process of the tests: read when numpy is first imported, which is after this."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
