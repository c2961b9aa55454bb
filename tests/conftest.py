"""What all tests share."""

import os

# Two workers of the test runner on two cores: the numeric libraries keep to one thread each.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")
