"""``python3 -m tests``: set up from a bare clone and run the fast tests."""

import sys

from drift.first_run import run

if __name__ == "__main__":
    sys.exit(run(["-m", "pytest", *(sys.argv[1:] or ["-n", "auto", "--dist", "loadgroup"])], extra="test"))
